/* The speed controller and servo outputs: the level on the pad, and pulses measured between its edges.
 *
 * The simulator's own pin value cannot be used: a write to any pin of the port drives the compare pins back to the
 * port register, and a timer overflow moves a compare pin that silicon would leave alone. So the pad is worked out
 * here as the data sheets of both chips draw it: compare latch when the compare mode is on, port register otherwise. */
#include "parts.h"

#define STRAY_CYCLES (100u * CYCLES_PER_US) /* a receiver takes 500 us and more for a pulse */
#define MATCH_SLACK 16u                     /* longest instruction plus interrupt entry */
#define FORCE_REGISTER 0x82u                /* TCCR1C on both chips; bit 7 forces output A, bit 6 output B */

static void log_pulse(stand_t *stand, int which, uint64_t fall)
{
	pulses_t *pulses = &stand->pulses;
	output_t *output = &pulses->outputs[which];
	uint64_t width = fall - output->rise;
	int stray = width < STRAY_CYCLES;
	if (stray) {
		stand->counters.stray_pulses++;
		if (width > stand->counters.longest_stray_cycles)
			stand->counters.longest_stray_cycles = width;
	} else {
		output->width = width;
	}
	if (pulses->count == PULSE_ROOM) { /* the oldest gives way: nobody asked for it */
		pulses->first = (pulses->first + 1) % PULSE_ROOM;
		pulses->count--;
	}
	pulses->log[(pulses->first + pulses->count++) % PULSE_ROOM] =
		(stand_pulse_t){ .rise = output->rise, .fall = fall, .output = which, .stray = stray };
}

static int compare_mode(stand_t *stand, int which)
{
	return avr_regbit_get(stand->avr, stand->pulses.timer->comp[which].com);
}

static void settle(stand_t *stand, int which, uint64_t cycle)
{
	pulses_t *pulses = &stand->pulses;
	output_t *output = &pulses->outputs[which];
	uint8_t mask = 1 << output->pin.bit;
	int driven = compare_mode(stand, which) ? output->latch : !!(pulses->register_value & mask);
	int level = (pulses->direction & mask) ? driven : 0; /* a pull-down on the wire, as the instructions ask for */
	if (level == output->level)
		return;
	output->level = level;
	if (level)
		output->rise = cycle;
	else
		log_pulse(stand, which, cycle);
}

static void settle_all(stand_t *stand)
{
	for (int which = 0; which < STAND_OUTPUTS; which++)
		settle(stand, which, stand->avr->cycle);
}

/* Whether the simulator reports a match. In normal mode it also moves the pin at a timer overflow, and whenever the
 * program writes a compare register, each time against what the mode says: so the direction tells the two apart. */
static int is_match(stand_t *stand, int which, int value)
{
	if (stand->pulses.timer->wgm_op_mode_kind != avr_timer_wgm_normal)
		return 1;
	int mode = compare_mode(stand, which);
	return mode == avr_timer_com_toggle || value == (mode == avr_timer_com_set);
}

/* Cycle of the match: the simulator tells of it at the end of the instruction under way. */
static uint64_t match_cycle(const pulses_t *pulses, int which, uint64_t now)
{
	const avr_timer_t *timer = pulses->timer;
	uint64_t match = timer->comp[which].comp_cycles;
	if (match >= timer->tov_cycles)
		match -= timer->tov_cycles;
	match += timer->tov_base;
	return now >= match && now - match <= MATCH_SLACK ? match : now;
}

static void compare_event(stand_t *stand, int which, uint32_t raised)
{
	output_t *output = &stand->pulses.outputs[which];
	int value = raised & 1;
	if (!is_match(stand, which, value)) {
		stand->counters.overflow_artefacts += value != output->latch;
		return;
	}
	output->latch = value;
	settle(stand, which, match_cycle(&stand->pulses, which, stand->avr->cycle));
}

static void compare_a(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	compare_event(param, STAND_ESC, value);
}

static void compare_b(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	compare_event(param, STAND_SERVO, value);
}

static void port_written(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	stand_t *stand = param;
	stand->pulses.register_value = value;
	settle_all(stand);
}

static void direction_written(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	stand_t *stand = param;
	stand->pulses.direction = value;
	settle_all(stand);
}

static void control_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	stand_t *stand = param;
	stand->pulses.write_control(avr, address, value, stand->pulses.write_control_param);
	settle_all(stand);
}

static void force_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	stand_t *stand = param;
	avr->data[address] = 0; /* strobes read as zero */
	for (int which = 0; which < STAND_OUTPUTS; which++) {
		output_t *output = &stand->pulses.outputs[which];
		int mode = compare_mode(stand, which);
		if (!(value & (0x80 >> which)) || mode == avr_timer_com_normal)
			continue;
		output->latch = mode == avr_timer_com_toggle ? !output->latch : mode == avr_timer_com_set;
		settle(stand, which, avr->cycle);
	}
}

void pulses_fit(stand_t *stand)
{
	avr_t *avr = stand->avr;
	pulses_t *pulses = &stand->pulses;
	pulses->outputs[STAND_ESC].pin = stand->wiring.esc;
	pulses->outputs[STAND_SERVO].pin = stand->wiring.servo;
	pulses->timer = (avr_timer_t *)part_of_chip(avr, "timer", '1');
	uint32_t ioctl = AVR_IOCTL_IOPORT_GETIRQ(stand->wiring.esc.port);
	pulses->port_register = avr_io_getirq(avr, ioctl, IOPORT_IRQ_REG_PORT);
	pulses->port_direction = avr_io_getirq(avr, ioctl, IOPORT_IRQ_DIRECTION_ALL);
	avr_irq_register_notify(pulses->port_register, port_written, stand);
	avr_irq_register_notify(pulses->port_direction, direction_written, stand);
	avr_irq_t *compare = pulses->timer->io.irq + TIMER_IRQ_OUT_COMP;
	avr_irq_register_notify(compare + AVR_TIMER_COMPA, compare_a, stand);
	avr_irq_register_notify(compare + AVR_TIMER_COMPB, compare_b, stand);
	avr_io_addr_t control = AVR_DATA_TO_IO(pulses->timer->comp[0].com.reg);
	pulses->write_control = avr->io[control].w.c;
	pulses->write_control_param = avr->io[control].w.param;
	avr->io[control].w.c = control_written;
	avr->io[control].w.param = stand;
	avr_register_io_write(avr, FORCE_REGISTER, force_written, stand);
}

void pulses_restart(stand_t *stand)
{
	pulses_t *pulses = &stand->pulses;
	for (int which = 0; which < STAND_OUTPUTS; which++)
		pulses->outputs[which].latch = 0;
	/* the reset cleared both registers without telling anybody */
	avr_raise_irq(pulses->port_register, 0);
	avr_raise_irq(pulses->port_direction, 0);
	settle_all(stand);
}

int stand_level(const stand_t *stand, int output)
{
	return stand->pulses.outputs[output].level;
}

uint64_t stand_rise(const stand_t *stand, int output)
{
	return stand->pulses.outputs[output].rise;
}

uint32_t stand_width(const stand_t *stand, int output)
{
	return stand->pulses.outputs[output].width;
}

int stand_take_pulses(stand_t *stand, stand_pulse_t *out, int room)
{
	pulses_t *pulses = &stand->pulses;
	int count = 0;
	while (count < room && pulses->count) {
		out[count++] = pulses->log[pulses->first];
		pulses->first = (pulses->first + 1) % PULSE_ROOM;
		pulses->count--;
	}
	return count;
}
