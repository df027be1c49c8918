/* The load cell's 24-bit converter on two wires: data goes low when a reading is ready, 25 clock pulses fetch it. */
#include "parts.h"

#define READINGS_PER_S 80
#define POWER_DOWN_CYCLES (60u * CYCLES_PER_US) /* clock line high for longer: the part goes to sleep */
#define SETTLING_READINGS 4                     /* after waking */

static void data_line(stand_t *stand, int level)
{
	drive_pin(stand->avr, stand->wiring.load_data, stand->load_cell.data, level);
}

static void keep_conversion(load_cell_t *cell, uint64_t cycle)
{
	if (cell->count == CONVERSION_ROOM) {
		cell->first = (cell->first + 1) % CONVERSION_ROOM;
		cell->count--;
	}
	cell->log[(cell->first + cell->count++) % CONVERSION_ROOM] =
		(stand_conversion_t){ .cycle = cycle, .code = cell->measured };
}

static avr_cycle_count_t convert(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	stand_t *stand = param;
	load_cell_t *cell = &stand->load_cell;
	cell->next += cell->period;
	if (cell->powered_down)
		return (avr_cycle_count_t)cell->next;
	stand->counters.conversions++;
	if (cell->ready && cell->pulses) {
		stand->counters.conversions_spoilt++; /* half fetched: the old code stays */
		return (avr_cycle_count_t)cell->next;
	}
	cell->code = (uint32_t)cell->measured & 0xffffff;
	cell->ready = 1;
	cell->pulses = 0;
	keep_conversion(cell, when);
	data_line(stand, 0);
	return (avr_cycle_count_t)cell->next;
}

static void clock_rises(stand_t *stand)
{
	load_cell_t *cell = &stand->load_cell;
	cell->clock_rise = stand->avr->cycle;
	if (cell->powered_down)
		return;
	cell->pulses++;
	if (cell->pulses > 25)
		stand->counters.load_wrong_gain++;
	if (!cell->ready)
		return;
	if (cell->pulses <= 24)
		data_line(stand, (cell->code >> (24 - cell->pulses)) & 1);
	if (cell->pulses == 25) {
		stand->counters.conversions_read++;
		cell->ready = 0;
		data_line(stand, 1);
	}
}

static void clock_falls(stand_t *stand)
{
	load_cell_t *cell = &stand->load_cell;
	int slept = cell->clock_rise && stand->avr->cycle - cell->clock_rise > POWER_DOWN_CYCLES;
	cell->clock_rise = 0;
	if (!slept)
		return;
	stand->counters.load_power_downs++;
	cell->ready = cell->pulses = 0;
	data_line(stand, 1);
	cell->next = stand->avr->cycle + SETTLING_READINGS * cell->period;
	timer_at(stand->avr, (uint64_t)cell->next, convert, stand);
}

static void clock_changed(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	if (value)
		clock_rises(param);
	else
		clock_falls(param);
}

void load_cell_fit(stand_t *stand)
{
	load_cell_t *cell = &stand->load_cell;
	cell->data = pin_irq(stand->avr, stand->wiring.load_data);
	cell->period = (double)CLOCK_HZ / READINGS_PER_S;
	cell->next = SETTLING_READINGS * cell->period;
	avr_irq_register_notify(pin_irq(stand->avr, stand->wiring.load_clock), clock_changed, stand);
}

void load_cell_arm(stand_t *stand)
{
	load_cell_t *cell = &stand->load_cell;
	cell->pulses = 0;
	data_line(stand, !cell->ready);
	timer_at(stand->avr, (uint64_t)cell->next, convert, stand);
}

void stand_load(stand_t *stand, int32_t code)
{
	stand->load_cell.measured = code;
}

void stand_load_clock(stand_t *stand, double factor)
{
	stand->load_cell.period = (double)CLOCK_HZ / READINGS_PER_S / factor;
}

int stand_take_conversions(stand_t *stand, stand_conversion_t *out, int room)
{
	load_cell_t *cell = &stand->load_cell;
	int count = 0;
	while (count < room && cell->count) {
		out[count++] = cell->log[cell->first];
		cell->first = (cell->first + 1) % CONVERSION_ROOM;
		cell->count--;
	}
	return count;
}
