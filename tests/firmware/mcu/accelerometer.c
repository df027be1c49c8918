/* Two accelerometers of different makers, of which one is wired: registers, 32-sample FIFO, and an SPI slave that
 * answers at the clock the program set.
 *
 * The simulator's own SPI takes 100 us a byte whatever the clock, so its data register is taken over. */
#include <math.h>
#include <string.h>

#include "parts.h"

enum {
	DEVICE_ID = 0x00, BW_RATE = 0x2c, POWER_CTL = 0x2d, INT_SOURCE = 0x30, DATA_FORMAT = 0x31, DATA_X0 = 0x32,
	DATA_Z1 = 0x37, FIFO_CTL = 0x38, FIFO_STATUS = 0x39,
};
enum { MODE_BYPASS = 0, MODE_FIFO = 1, MODE_STREAM = 2 };

/* The 12-bit part: from memory of its data sheet. */
enum {
	WHO_AM_I = 0x0f, CTRL_1 = 0x20, CTRL_4 = 0x23, CTRL_5 = 0x24, OUT_X = 0x28, OUT_Z_HIGH = 0x2d, FIFO_CTRL_12 = 0x2e,
	FIFO_SOURCE = 0x2f,
};
#define RATE_1344 0x90
#define AXES_BITS 0x07
#define FIFO_ENABLE_BIT 0x40
#define RANGE_AND_RESOLUTION 0x38 /* +-16 g, high resolution */

#define READ_BIT 0x80
#define MULTIPLE_BIT 0x40
#define MEASURE_BIT 0x08
#define FULL_RESOLUTION_BIT 0x08
#define FASTEST_HZ 3200.0
#define FIFO_REFILL_CYCLES (5u * CYCLES_PER_US) /* between the end of one reading and the start of the next */
#define FASTEST_SPI_HZ 5000000u
#define RUN_OVER_CYCLES 16u /* a run ends behind a whole instruction or interrupt entry: a sample may fall due in it */

static int fifo_mode(const accelerometer_t *part)
{
	if (part->part == STAND_13_BIT)
		return part->registers[FIFO_CTL] >> 6;
	return part->registers[CTRL_5] & FIFO_ENABLE_BIT ? part->registers[FIFO_CTRL_12] >> 6 : MODE_BYPASS;
}

static void into_fifo(stand_t *stand, sample_t sample)
{
	accelerometer_t *part = &stand->accelerometer;
	if (fifo_mode(part) == MODE_BYPASS) {
		part->overrun |= part->fifo_count > 0;
		part->fifo_first = 0;
		part->fifo[0] = sample;
		part->fifo_count = 1;
		return;
	}
	if (part->fifo_count == FIFO_SAMPLES) {
		part->overrun = 1;
		stand->counters.samples_lost++;
		if (fifo_mode(part) == MODE_FIFO)
			return; /* stops when full */
		part->fifo_first = (part->fifo_first + 1) % FIFO_SAMPLES;
		part->fifo_count--;
	}
	part->fifo[(part->fifo_first + part->fifo_count++) % FIFO_SAMPLES] = sample;
}

static double sample_cycle(const accelerometer_t *part, uint64_t index)
{
	return part->started + (double)(index + 1) * part->period;
}

static avr_cycle_count_t take_sample(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	(void)when;
	stand_t *stand = param;
	accelerometer_t *part = &stand->accelerometer;
	if (!part->measuring)
		return 0;
	if (part->given_count) {
		part->latest = part->given[part->given_first];
		part->given_first = (part->given_first + 1) % SAMPLE_ROOM;
		part->given_count--;
	} else {
		part->promised++;
		stand->counters.samples_missing++;
	}
	part->taken++;
	stand->counters.samples++;
	into_fifo(stand, part->latest);
	return (avr_cycle_count_t)ceil(sample_cycle(part, part->taken));
}

static void begin_measuring(stand_t *stand)
{
	accelerometer_t *part = &stand->accelerometer;
	int code = part->registers[BW_RATE] & 0x0f; /* 15: 3200 Hz, each step below halves it */
	double rate_hz = part->part == STAND_13_BIT ? FASTEST_HZ / (1 << (15 - code)) : 1344.0;
	part->period = CLOCK_HZ / rate_hz / part->clock_factor;
	part->started = (double)stand->avr->cycle;
	part->taken = 0;
	part->promised = part->given_count; /* after a restart of the program, what was laid out before serves */
	timer_at(stand->avr, (uint64_t)ceil(sample_cycle(part, 0)), take_sample, stand);
}

static uint8_t data_byte(const accelerometer_t *part, int offset)
{
	sample_t sample = part->fifo_count ? part->fifo[part->fifo_first] : part->latest;
	int value = sample.axis[offset / 2];
	if (!(part->registers[DATA_FORMAT] & FULL_RESOLUTION_BIT))
		value >>= part->registers[DATA_FORMAT] & 3;
	return (uint16_t)value >> (offset % 2 ? 8 : 0);
}

static uint8_t read_12_bit(accelerometer_t *part, int address)
{
	if (address >= OUT_X && address <= OUT_Z_HIGH) {
		sample_t sample = part->fifo_count ? part->fifo[part->fifo_first] : part->latest;
		part->touched = 1;
		uint16_t left = (uint16_t)(sample.axis[(address - OUT_X) / 2] * 16);
		return left >> ((address - OUT_X) % 2 ? 8 : 0);
	}
	if (address == FIFO_SOURCE)
		return (part->fifo_count == 0 ? 0x20 : 0) | (part->fifo_count == FIFO_SAMPLES ? 0x5f : part->fifo_count);
	return part->registers[address];
}

static void write_12_bit(stand_t *stand, int address, uint8_t value)
{
	accelerometer_t *part = &stand->accelerometer;
	if (address < 0x1e || (address >= 0x27 && address != FIFO_CTRL_12 && address < 0x30)) {
		stand->counters.spi_faults++;
		return;
	}
	int was_measuring = part->measuring;
	part->registers[address] = value;
	part->measuring = (part->registers[CTRL_1] & 0xf0) != 0;
	if (address == CTRL_1 && part->measuring && !was_measuring) {
		/* any other rate, range or axes than the driver's: this model does not know them */
		if (value != (RATE_1344 | AXES_BITS) || (part->registers[CTRL_4] & 0x38) != RANGE_AND_RESOLUTION)
			stand->counters.spi_faults++;
		begin_measuring(stand);
	}
	if (fifo_mode(part) == MODE_BYPASS)
		part->fifo_count = 0;
}

static uint8_t read_register(stand_t *stand, int address)
{
	accelerometer_t *part = &stand->accelerometer;
	if (part->part == STAND_12_BIT)
		return read_12_bit(part, address);
	if (address >= DATA_X0 && address <= DATA_Z1) {
		if (!part->touched && part->pop_cycle && stand->avr->cycle - part->pop_cycle < FIFO_REFILL_CYCLES)
			stand->counters.rushed_reads++;
		part->touched = 1;
		return data_byte(part, address - DATA_X0);
	}
	if (address == FIFO_STATUS)
		return part->fifo_count;
	if (address == INT_SOURCE)
		return (part->fifo_count ? 0x80 : 0) | (part->overrun ? 0x01 : 0)
			| (part->fifo_count >= (part->registers[FIFO_CTL] & 0x1f) ? 0x02 : 0);
	return part->registers[address];
}

static void write_register(stand_t *stand, int address, uint8_t value)
{
	accelerometer_t *part = &stand->accelerometer;
	if (part->part == STAND_12_BIT) {
		write_12_bit(stand, address, value);
		return;
	}
	int read_only = address < 0x1d || address == 0x2b || address == INT_SOURCE
		|| (address >= DATA_X0 && address <= DATA_Z1) || address >= FIFO_STATUS;
	if (read_only) {
		stand->counters.spi_faults++;
		return;
	}
	int was_measuring = part->measuring;
	part->registers[address] = value;
	part->measuring = !!(part->registers[POWER_CTL] & MEASURE_BIT);
	if (part->measuring && (!was_measuring || address == BW_RATE))
		begin_measuring(stand);
	if (address == FIFO_CTL && fifo_mode(part) == MODE_BYPASS)
		part->fifo_count = 0;
}

/* The oldest reading leaves the FIFO when the transfer that looked at it moves on or ends. */
static void pop_if_touched(stand_t *stand)
{
	accelerometer_t *part = &stand->accelerometer;
	if (!part->touched)
		return;
	part->touched = 0;
	part->overrun = 0;
	if (!part->fifo_count)
		return;
	part->fifo_first = (part->fifo_first + 1) % FIFO_SAMPLES;
	part->fifo_count--;
	part->pop_cycle = stand->avr->cycle;
	stand->counters.samples_read++;
}

static uint8_t exchange(stand_t *stand, uint8_t value)
{
	accelerometer_t *part = &stand->accelerometer;
	if (part->byte_index++ == 0) {
		part->reading = !!(value & READ_BIT);
		part->address = value & 0x3f;
		part->registers[0x3f] = value & MULTIPLE_BIT; /* scratch: 0x3f is no register of the part */
		return 0;
	}
	uint8_t answer = 0;
	if (part->reading)
		answer = read_register(stand, part->address);
	else
		write_register(stand, part->address, value);
	if (part->registers[0x3f] && part->address < 0x3e) {
		part->address++;
		if (part->part == STAND_13_BIT && part->address == FIFO_CTL)
			pop_if_touched(stand);
		if (part->part == STAND_12_BIT && part->address > OUT_Z_HIGH && part->touched) {
			pop_if_touched(stand);
			part->address = OUT_X; /* it goes round within a sample */
		}
	}
	return answer;
}

static void select_changed(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	stand_t *stand = param;
	stand->accelerometer.selected = !value;
	stand->accelerometer.byte_index = 0;
	if (value)
		pop_if_touched(stand);
}

static uint32_t spi_cycles_per_bit(stand_t *stand)
{
	avr_spi_t *spi = stand->accelerometer.spi;
	static const uint32_t divider[] = { 4, 16, 64, 128 };
	int choice = avr_regbit_get(stand->avr, spi->spr[0]) | avr_regbit_get(stand->avr, spi->spr[1]) << 1;
	return divider[choice] >> avr_regbit_get(stand->avr, spi->spr[2]);
}

static avr_cycle_count_t transfer_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)when;
	stand_t *stand = param;
	stand->accelerometer.spi->input_data_register = stand->accelerometer.answer;
	avr_raise_interrupt(avr, &stand->accelerometer.spi->spi);
	return 0;
}

static void check_bus(stand_t *stand)
{
	uint8_t control = stand->avr->data[stand->accelerometer.spi->r_spcr];
	int mode_3 = (control & 0x0c) == 0x0c && !(control & 0x20); /* clock idles high, second edge, MSB first */
	if (!mode_3 || CLOCK_HZ / spi_cycles_per_bit(stand) > FASTEST_SPI_HZ)
		stand->counters.spi_faults++;
}

static void program_writes(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	(void)address;
	stand_t *stand = param;
	accelerometer_t *part = &stand->accelerometer;
	avr_spi_t *spi = part->spi;
	avr_regbit_clear(avr, spi->spi.raised);
	if (!avr_regbit_get(avr, spi->spe) || !avr_regbit_get(avr, spi->mstr))
		return;
	part->answer = 0xff; /* nobody drives the line */
	if (part->selected) {
		check_bus(stand);
		part->answer = exchange(stand, value);
	}
	avr_cycle_timer_register(avr, 8u * spi_cycles_per_bit(stand), transfer_done, stand);
}

static uint8_t program_reads(avr_t *avr, avr_io_addr_t address, void *param)
{
	(void)address;
	stand_t *stand = param;
	avr_regbit_clear(avr, stand->accelerometer.spi->spi.raised);
	return stand->accelerometer.spi->input_data_register;
}

void stand_accelerometer(stand_t *stand, int which)
{
	accelerometer_t *part = &stand->accelerometer;
	memset(part->registers, 0, sizeof part->registers);
	part->part = which;
	if (which == STAND_13_BIT) {
		part->registers[DEVICE_ID] = 0xe5;
		part->registers[BW_RATE] = 0x0a;
	} else {
		part->registers[WHO_AM_I] = 0x33;
		part->registers[CTRL_1] = AXES_BITS;
	}
}

void accelerometer_fit(stand_t *stand)
{
	avr_t *avr = stand->avr;
	accelerometer_t *part = &stand->accelerometer;
	stand_accelerometer(stand, STAND_13_BIT);
	part->clock_factor = 1.0;
	part->spi = (avr_spi_t *)part_of_chip(avr, "spi", 0);
	avr_io_addr_t data = AVR_DATA_TO_IO(part->spi->r_spdr);
	avr->io[data].w.c = program_writes;
	avr->io[data].w.param = stand;
	avr->io[data].r.c = program_reads;
	avr->io[data].r.param = stand;
	avr_irq_register_notify(pin_irq(avr, stand->wiring.accelerometer_select), select_changed, stand);
}

void accelerometer_arm(stand_t *stand)
{
	accelerometer_t *part = &stand->accelerometer; /* keeps its supply while the chip restarts */
	part->selected = part->byte_index = part->touched = 0;
	if (part->measuring)
		timer_at(stand->avr, (uint64_t)ceil(sample_cycle(part, part->taken)), take_sample, stand);
}

int stand_samples_due(stand_t *stand, uint64_t cycle, double *cycles, int room)
{
	accelerometer_t *part = &stand->accelerometer;
	double end = (double)(cycle + RUN_OVER_CYCLES);
	int count = 0;
	while (part->measuring && count < room && sample_cycle(part, part->promised + count) <= end) {
		cycles[count] = sample_cycle(part, part->promised + count);
		count++;
	}
	return count;
}

int stand_samples(stand_t *stand, const int16_t *counts, int count)
{
	accelerometer_t *part = &stand->accelerometer;
	int taken = 0;
	while (taken < count && part->given_count < SAMPLE_ROOM) {
		sample_t *place = &part->given[(part->given_first + part->given_count++) % SAMPLE_ROOM];
		memcpy(place->axis, counts + 3 * taken++, sizeof place->axis);
		part->promised++;
	}
	return taken;
}

void stand_sample_clock(stand_t *stand, double factor)
{
	stand->accelerometer.clock_factor = factor;
}
