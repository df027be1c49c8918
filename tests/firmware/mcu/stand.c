/* The chip itself: loading a binary, running it, resetting it, and its analogue inputs. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "parts.h"
#include "sim_elf.h"

static const wiring_t WIRINGS[] = {
	[STAND_ATMEGA2560] = {
		.mcu = "atmega2560",
		.tach = { 'L', 0 }, .esc = { 'B', 5 }, .servo = { 'B', 6 },
		.load_data = { 'A', 0 }, .load_clock = { 'A', 1 }, .accelerometer_select = { 'B', 0 },
	},
	[STAND_ATMEGA328P] = {
		.mcu = "atmega328p",
		.tach = { 'B', 0 }, .esc = { 'B', 1 }, .servo = { 'B', 2 },
		.load_data = { 'D', 4 }, .load_clock = { 'D', 5 }, .accelerometer_select = { 'D', 7 },
	},
};

static char last_log[256];

static void keep_log(avr_t *avr, const int level, const char *format, va_list arguments)
{
	(void)avr;
	if (level > 0 && level <= LOG_ERROR)
		vsnprintf(last_log, sizeof last_log, format, arguments);
}

static void do_not_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
	(void)avr;
	(void)cycles; /* simulated time passes without waiting for it */
}

avr_io_t *part_of_chip(avr_t *avr, const char *kind, char name)
{
	for (avr_io_t *io = avr->io_port; io; io = io->next) {
		if (strcmp(io->kind, kind))
			continue;
		if (!strcmp(kind, "uart") && ((avr_uart_t *)io)->name != name)
			continue;
		if (!strcmp(kind, "timer") && ((avr_timer_t *)io)->name != name)
			continue;
		if (!strcmp(kind, "port") && ((avr_ioport_t *)io)->name != name)
			continue;
		return io;
	}
	return NULL;
}

avr_irq_t *pin_irq(avr_t *avr, pin_t pin)
{
	return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin.port), pin.bit);
}

/* A level from outside. It is also set as the port's external level: otherwise any write to that port would put an
 * input with its pull-up on back to high. */
void drive_pin(avr_t *avr, pin_t pin, avr_irq_t *irq, int level)
{
	avr_ioport_t *port = (avr_ioport_t *)part_of_chip(avr, "port", pin.port);
	port->external.pull_mask |= 1 << pin.bit;
	if (level)
		port->external.pull_value |= 1 << pin.bit;
	else
		port->external.pull_value &= ~(1 << pin.bit);
	avr_raise_irq(irq, level);
}

void timer_at(avr_t *avr, uint64_t cycle, avr_cycle_timer_t timer, void *param)
{
	avr_cycle_timer_register(avr, cycle > avr->cycle ? cycle - avr->cycle : 0, timer, param);
}

static void set_restart_cause(stand_t *stand, int cause)
{
	/* bits 0 to 3 of MCUSR are power-on, external, brown-out, watchdog on both chips */
	stand->avr->data[stand->avr->reset_flags.porf.reg] = cause & 0x0f;
}

/* The simulator's reset clears the memory. On silicon it keeps it, and the sketch relies on that. */
static void keep_memory(stand_t *stand)
{
	avr_t *avr = stand->avr;
	memcpy(stand->memory, avr->data + avr->ioend + 1, avr->ramend - avr->ioend);
}

static void give_memory_back(stand_t *stand)
{
	avr_t *avr = stand->avr;
	memcpy(avr->data + avr->ioend + 1, stand->memory, avr->ramend - avr->ioend);
}

#define KEEP_REGISTER 0x3fu /* EECR on both chips; bit 1 begins a write */
#define KEEP_BEGINS 0x02u
#define KEEP_CYCLES (3400u * CYCLES_PER_US) /* of both data sheets, for erasing and writing a byte */

static avr_cycle_count_t keep_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)when;
	(void)param;
	avr->data[KEEP_REGISTER] &= ~KEEP_BEGINS;
	return 0;
}

static void keep_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	stand_t *stand = param;
	stand->keep(avr, address, value, stand->keep_param);
	if (!(value & KEEP_BEGINS))
		return;
	stand->counters.kept_bytes++;
	avr->data[address] |= KEEP_BEGINS; /* the library is done at once; silicon shows this bit until it is */
	timer_at(avr, avr->cycle + KEEP_CYCLES, keep_done, stand);
}

static void watch_kept_bytes(stand_t *stand)
{
	avr_io_addr_t at = AVR_DATA_TO_IO(KEEP_REGISTER);
	stand->keep = stand->avr->io[at].w.c;
	stand->keep_param = stand->avr->io[at].w.param;
	stand->avr->io[at].w.c = keep_written;
	stand->avr->io[at].w.param = stand;
}

static void start_parts(stand_t *stand)
{
	tach_arm(stand);
	line_arm(stand);
	pulses_restart(stand);
	load_cell_arm(stand);
	accelerometer_arm(stand);
}

static int load(stand_t *stand, const char *elf_path, char *complaint, int size)
{
	elf_firmware_t firmware;
	memset(&firmware, 0, sizeof firmware);
	last_log[0] = 0;
	/* the library accepts any file and then finds nothing to flash in it */
	if (elf_read_firmware(elf_path, &firmware) != 0 || firmware.flashsize == 0) {
		snprintf(complaint, size, "%s: not a program for this chip: %s", elf_path, last_log);
		return -1;
	}
	stand->avr = avr_make_mcu_by_name(stand->wiring.mcu);
	if (!stand->avr) {
		snprintf(complaint, size, "the simulator library does not know %s", stand->wiring.mcu);
		return -1;
	}
	avr_init(stand->avr);
	firmware.frequency = CLOCK_HZ;
	firmware.vcc = firmware.avcc = firmware.aref = 5000;
	avr_load_firmware(stand->avr, &firmware);
	free(firmware.flash);
	return 0;
}

stand_t *stand_open(const char *elf_path, int board, char *complaint, int complaint_size)
{
	if (board != STAND_ATMEGA2560 && board != STAND_ATMEGA328P) {
		snprintf(complaint, complaint_size, "board %d is not known", board);
		return NULL;
	}
	stand_t *stand = calloc(1, sizeof *stand);
	if (!stand)
		return NULL;
	avr_global_logger_set(keep_log);
	stand->wiring = WIRINGS[board];
	if (load(stand, elf_path, complaint, complaint_size)) {
		free(stand);
		return NULL;
	}
	stand->avr->sleep = do_not_sleep;
	stand->run = stand->avr->run;
	stand->avr->log = LOG_ERROR;
	set_restart_cause(stand, 1);
	tach_fit(stand);
	line_fit(stand);
	pulses_fit(stand);
	load_cell_fit(stand);
	accelerometer_fit(stand);
	watch_kept_bytes(stand);
	start_parts(stand);
	return stand;
}

void stand_close(stand_t *stand)
{
	if (!stand)
		return;
	avr_terminate(stand->avr);
	free(stand->avr);
	free(stand);
}

static avr_cycle_count_t stop_here(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	(void)when;
	(void)param;
	return 0; /* only there so that no instruction run reaches beyond this cycle */
}

int stand_run(stand_t *stand, uint64_t cycle)
{
	avr_t *avr = stand->avr;
	timer_at(avr, cycle, stop_here, stand);
	while (avr->cycle < cycle) {
		int bitten = avr->run != stand->run; /* the watchdog put its reset where the next step was */
		if (bitten)
			keep_memory(stand);
		int state = avr_run(avr);
		if (bitten) {
			give_memory_back(stand);
			stand->counters.resets++;
			start_parts(stand);
			timer_at(avr, cycle, stop_here, stand);
		}
		if (state == cpu_Crashed || state == cpu_Done || state == cpu_Stopped)
			return -1;
	}
	return 0;
}

uint64_t stand_cycle(const stand_t *stand)
{
	return stand->avr->cycle;
}

const char *stand_complaint(const stand_t *stand)
{
	(void)stand;
	return last_log;
}

void stand_counters(const stand_t *stand, stand_counters_t *out)
{
	*out = stand->counters;
}

void stand_reset(stand_t *stand, int cause)
{
	keep_memory(stand);
	avr_reset(stand->avr);
	if (!(cause & 1)) /* after a power-on the memory holds anything; zero is as good as any */
		give_memory_back(stand);
	set_restart_cause(stand, cause);
	stand->counters.resets++;
	start_parts(stand);
}

void stand_hang(stand_t *stand, int interrupts)
{
	avr_t *avr = stand->avr;
	uint32_t place = avr->flashend - 1; /* last word of the flash: beyond any program */
	avr->flash[place] = 0xff;
	avr->flash[place + 1] = 0xcf; /* rjmp to itself */
	avr->pc = place;
	avr->sreg[S_I] = !!interrupts;
}

int stand_peek(const stand_t *stand, uint32_t address, uint8_t *out, int count)
{
	if (count < 0 || address + (uint32_t)count > stand->avr->ramend + 1u)
		return -1;
	memcpy(out, stand->avr->data + address, count);
	return count;
}

int stand_poke(stand_t *stand, uint32_t address, const uint8_t *data, int count)
{
	/* registers are left alone: a write to one has effects that memory does not know */
	if (count < 0 || address <= stand->avr->ioend || address + (uint32_t)count > stand->avr->ramend + 1u)
		return -1;
	memcpy(stand->avr->data + address, data, count);
	return count;
}

int stand_pin(const stand_t *stand, char port, int bit)
{
	const avr_ioport_t *io = (const avr_ioport_t *)part_of_chip(stand->avr, "port", port);
	int drives = stand->avr->data[io->r_ddr] >> bit & 1;
	int high = stand->avr->data[io->r_port] >> bit & 1;
	return drives ? high : 2 + high;
}

void stand_supply(stand_t *stand, int millivolts)
{
	stand->avr->vcc = stand->avr->avcc = stand->avr->aref = millivolts;
}

void stand_analogue(stand_t *stand, int channel, int counts)
{
	/* the simulator computes floor(millivolts * 1023 / reference): the smallest voltage that gives these counts */
	uint32_t millivolts = ((uint32_t)counts * stand->avr->avcc + 1022u) / 1023u;
	avr_raise_irq(avr_io_getirq(stand->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), millivolts);
}
