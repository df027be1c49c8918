/* A microcontroller on a simulated stand: what the outside of the chip sees, in clock cycles of 16 MHz.
 *
 * The Python side reads this file for its declarations: keep it free of includes and of anything but plain C.
 */

enum { STAND_ATMEGA2560 = 1, STAND_ATMEGA328P = 2 };
enum { STAND_ESC = 0, STAND_SERVO = 1, STAND_OUTPUTS = 2 };

enum { STAND_13_BIT = 1, STAND_12_BIT = 2 };

typedef struct stand stand_t;

typedef struct {
	uint64_t rise;
	uint64_t fall;
	uint32_t output;
	uint32_t stray; /* 1: shorter than any pulse a receiver would take for one */
} stand_pulse_t;

typedef struct {
	uint64_t cycle;
	int64_t code;
} stand_conversion_t;

typedef struct {
	uint64_t tach_edges;             /* delivered to the capture pin */
	uint64_t stray_pulses;           /* output pulses too short to be meant, kept out of the widths */
	uint64_t longest_stray_cycles;
	uint64_t overflow_artefacts;     /* the simulator moving a compare pin at timer overflow, undone */
	uint64_t receive_full;           /* three bytes waiting in the receiver: on silicon the last chance to read */
	uint64_t receive_lost;           /* bytes that silicon would have lost, and that were dropped */
	uint64_t receive_taken;          /* bytes the program read */
	uint64_t transmit_overwritten;   /* bytes written although the transmitter was full */
	uint64_t transmitted;
	uint64_t samples;                /* taken by the accelerometer */
	uint64_t samples_lost;           /* pushed out of its full FIFO */
	uint64_t samples_missing;        /* the outside had none ready: an error of the test bench, not of the program */
	uint64_t samples_read;
	uint64_t rushed_reads;           /* FIFO read again sooner than the part allows */
	uint64_t spi_faults;             /* wrong clock mode, clock too fast, register write to a read-only place */
	uint64_t conversions;            /* of the load cell converter */
	uint64_t conversions_read;       /* clocked out whole */
	uint64_t conversions_spoilt;     /* overtaken while being clocked out */
	uint64_t load_power_downs;       /* clock line held high for more than 60 us */
	uint64_t load_wrong_gain;        /* clock pulses beyond the 25th: another gain or input chosen */
	uint64_t resets;                 /* of the whole chip, the first start not counted */
	uint64_t kept_bytes;             /* writes to the memory that outlives a power-off; each stops the program */
} stand_counters_t;

/* NULL and a line in `complaint` when the binary cannot be loaded. */
stand_t *stand_open(const char *elf_path, int board, char *complaint, int complaint_size);
void stand_close(stand_t *stand);

/* Runs until `cycle`; 0, or -1 when the program crashed or stopped for good (see stand_complaint). */
int stand_run(stand_t *stand, uint64_t cycle);
uint64_t stand_cycle(const stand_t *stand);
const char *stand_complaint(const stand_t *stand);
void stand_counters(const stand_t *stand, stand_counters_t *out);
/* Resets the chip; `cause` is what its status register then shows (1 power-on, 2 external, 4 brown-out, 8 watchdog). */
void stand_reset(stand_t *stand, int cause);

/* From now on the program goes round in an empty loop, as one that has lost its way; with or without interrupts. */
void stand_hang(stand_t *stand, int interrupts);

/* The chip's memory as the program addresses it: reads it, or changes it behind the program's back. */
int stand_peek(const stand_t *stand, uint32_t address, uint8_t *out, int count);
int stand_poke(stand_t *stand, uint32_t address, const uint8_t *data, int count);

/* What drives a pin: 0 the chip drives it low, 1 high, 2 nobody does, 3 only the chip's own pull-up. */
int stand_pin(const stand_t *stand, char port, int bit);

/* Rising edges of the tach, ascending; those in the past are delivered at once. Returns how many found room. */
int stand_tach_edges(stand_t *stand, const uint64_t *cycles, int count);
/* Analogue inputs, as the counts the converter shall give. */
void stand_analogue(stand_t *stand, int channel, int counts);

/* Which accelerometer is wired; call before the first run. STAND_13_BIT otherwise. */
void stand_accelerometer(stand_t *stand, int part);
/* The chip's supply, which is also what its converter measures against; 5000 otherwise. */
void stand_supply(stand_t *stand, int millivolts);

/* Load cell: what the next conversions measure, and a log of conversions as they were offered. */
void stand_load(stand_t *stand, int32_t code);
void stand_load_clock(stand_t *stand, double factor);
int stand_take_conversions(stand_t *stand, stand_conversion_t *out, int room);

/* Accelerometer: cycles of the samples due until `cycle` for which none was given yet; then give them, x y z each. */
int stand_samples_due(stand_t *stand, uint64_t cycle, double *cycles, int room);
int stand_samples(stand_t *stand, const int16_t *counts, int count);
void stand_sample_clock(stand_t *stand, double factor);

/* Serial line: bytes to the program, bytes from it with the cycle at which the stop bit ended. */
int stand_send(stand_t *stand, const uint8_t *data, int count);
int stand_unsent(const stand_t *stand);
uint64_t stand_last_sent(const stand_t *stand); /* cycle at which the last byte to the program was complete */
int stand_received(stand_t *stand, uint8_t *data, uint64_t *cycles, int room);
uint32_t stand_baud(const stand_t *stand);

/* Outputs: level now, width of the latest pulse in cycles (0: none yet), and a log of all pulses. */
int stand_level(const stand_t *stand, int output);
uint64_t stand_rise(const stand_t *stand, int output);
uint32_t stand_width(const stand_t *stand, int output);
int stand_take_pulses(stand_t *stand, stand_pulse_t *out, int room);
