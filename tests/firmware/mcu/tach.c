/* The tach: rising edges on the capture pin at exact cycles. */
#include "parts.h"

#define HIGH_CYCLES (50u * CYCLES_PER_US)

static avr_cycle_count_t step(avr_t *avr, avr_cycle_count_t when, void *param)
{
	stand_t *stand = param;
	tach_t *tach = &stand->tach;
	/* the capture unit latches its counter at the edge, not at the end of the instruction under way */
	uint64_t now = avr->cycle;
	avr->cycle = when;
	if (tach->rise) {
		drive_pin(avr, stand->wiring.tach, tach->pin, 0);
		tach->rise = 0;
	} else {
		drive_pin(avr, stand->wiring.tach, tach->pin, 1);
		tach->rise = when;
		tach->first = (tach->first + 1) % EDGE_ROOM;
		tach->count--;
		stand->counters.tach_edges++;
	}
	avr->cycle = now;
	if (!tach->rise)
		return tach->count ? tach->edges[tach->first] : 0;
	uint64_t fall = when + HIGH_CYCLES;
	if (tach->count && tach->edges[tach->first] < fall + HIGH_CYCLES)
		fall = when + (tach->edges[tach->first] - when) / 2;
	return fall > when ? fall : when + 1;
}

void tach_fit(stand_t *stand)
{
	stand->tach.pin = pin_irq(stand->avr, stand->wiring.tach);
}

void tach_arm(stand_t *stand)
{
	stand->tach.rise = 0;
	drive_pin(stand->avr, stand->wiring.tach, stand->tach.pin, 0);
	if (stand->tach.count)
		timer_at(stand->avr, stand->tach.edges[stand->tach.first], step, stand);
}

int stand_tach_edges(stand_t *stand, const uint64_t *cycles, int count)
{
	tach_t *tach = &stand->tach;
	int was_idle = !tach->count && !tach->rise;
	int taken = 0;
	while (taken < count && tach->count < EDGE_ROOM) {
		tach->edges[(tach->first + tach->count) % EDGE_ROOM] = cycles[taken++];
		tach->count++;
	}
	if (was_idle && tach->count)
		timer_at(stand->avr, tach->edges[tach->first], step, stand);
	return taken;
}
