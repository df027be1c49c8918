/* The parts of the stand and what they need of each other. */
#ifndef PARTS_H
#define PARTS_H

#include <stdint.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "avr_spi.h"
#include "avr_timer.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "stand.h"

#define CLOCK_HZ 16000000u
#define CYCLES_PER_US 16u

typedef struct {
	char port;
	uint8_t bit;
} pin_t;

typedef struct {
	const char *mcu;
	pin_t tach, esc, servo, load_data, load_clock, accelerometer_select;
} wiring_t;

/* --- tach.c --- */
#define EDGE_ROOM 4096
typedef struct {
	avr_irq_t *pin;
	uint64_t edges[EDGE_ROOM];
	uint32_t first, count;
	uint64_t rise; /* of the pulse that is high now; 0 while low */
} tach_t;

/* --- serial_line.c --- */
#define LINE_ROOM 65536
typedef struct {
	avr_uart_t *uart;
	avr_io_write_t set_baud;
	uint8_t to_chip[LINE_ROOM];
	uint32_t to_first, to_count;
	uint64_t byte_arrives; /* cycle at which the next byte to the chip is complete; 0 when the line is idle */
	uint64_t last_arrived;
	uint8_t waiting[3];    /* two buffered bytes and the shift register, as in silicon */
	int waiting_count;
	uint8_t from_chip[LINE_ROOM];
	uint64_t from_cycle[LINE_ROOM];
	uint32_t from_first, from_count;
	uint64_t shifted_out; /* cycle at which the transmitter becomes empty */
	uint32_t cycles_per_bit;
} line_t;

/* --- pulses.c --- */
#define PULSE_ROOM 8192
typedef struct {
	pin_t pin;
	int latch;    /* what the compare unit drives */
	int level;    /* on the pad */
	uint64_t rise;
	uint32_t width;
} output_t;

typedef struct {
	avr_timer_t *timer;
	avr_irq_t *port_register, *port_direction;
	uint8_t direction, register_value;
	output_t outputs[STAND_OUTPUTS];
	stand_pulse_t log[PULSE_ROOM];
	uint32_t first, count;
	avr_io_write_t write_control;
	void *write_control_param;
} pulses_t;

/* --- load_cell.c --- */
#define CONVERSION_ROOM 4096
typedef struct {
	avr_irq_t *data;
	double period, next; /* cycles */
	int32_t measured;    /* what the bridge gives now */
	uint32_t code;       /* in the output register */
	int ready, pulses, powered_down;
	uint64_t clock_rise;
	stand_conversion_t log[CONVERSION_ROOM];
	uint32_t first, count;
} load_cell_t;

/* --- accelerometer.c --- */
#define FIFO_SAMPLES 32
#define SAMPLE_ROOM 4096
typedef struct {
	int16_t axis[3];
} sample_t;

typedef struct {
	int part; /* STAND_13_BIT or STAND_12_BIT */
	avr_spi_t *spi;
	uint8_t registers[64];
	sample_t fifo[FIFO_SAMPLES];
	int fifo_first, fifo_count;
	sample_t latest;
	sample_t given[SAMPLE_ROOM]; /* by the outside, not yet taken */
	uint32_t given_first, given_count;
	uint64_t taken, promised;    /* samples since measuring began */
	double started, period, clock_factor;
	int measuring, selected, byte_index, address, reading, touched, overrun;
	uint64_t pop_cycle;
	uint8_t answer;
} accelerometer_t;

struct stand {
	avr_t *avr;
	avr_run_t run; /* how the simulator steps when no reset is due */
	uint8_t memory[8192];
	avr_io_write_t keep; /* the simulator's own part behind the register that writes to the lasting memory */
	void *keep_param;
	wiring_t wiring;
	stand_counters_t counters;
	tach_t tach;
	line_t line;
	pulses_t pulses;
	load_cell_t load_cell;
	accelerometer_t accelerometer;
};

/* Each part is fitted once and re-arms its timers after every reset of the chip. */
void tach_fit(stand_t *stand);
void tach_arm(stand_t *stand);
void line_fit(stand_t *stand);
void line_arm(stand_t *stand);
void pulses_fit(stand_t *stand);
void pulses_restart(stand_t *stand);
void load_cell_fit(stand_t *stand);
void load_cell_arm(stand_t *stand);
void accelerometer_fit(stand_t *stand);
void accelerometer_arm(stand_t *stand);

/* stand.c */
avr_io_t *part_of_chip(avr_t *avr, const char *kind, char name);
avr_irq_t *pin_irq(avr_t *avr, pin_t pin);
void drive_pin(avr_t *avr, pin_t pin, avr_irq_t *irq, int level);
void timer_at(avr_t *avr, uint64_t cycle, avr_cycle_timer_t timer, void *param);

#endif
