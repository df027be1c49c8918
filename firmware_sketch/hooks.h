// Everything that the sketch asks of the board it runs on. A board is one file that answers all of it (board_*.cpp);
// the native tests answer, in a shim of their own, what the portable core asks.
#pragma once

#include <stdint.h>

namespace hooks {

extern const uint8_t BOARD;        // a wire::Board
void begin();                      // clock, serial port, pulses, tach, sensors' pins, watchdog; call first

// --- clock: one free-running 2 MHz counter. A moment is its low 32 bits and the next bit, so that microseconds wrap
// at 2^32.
struct Moment {
  uint32_t ticks;
  bool carry;
  uint32_t time_us() const { return (ticks >> 1) | (carry ? 0x80000000UL : 0); }
  bool half_us() const { return ticks & 1; }
};
Moment now();
void pause_us(uint8_t us);         // at least so long, plus a little

// --- serial port
uint16_t transmit_room();          // bytes that transmit() takes now without waiting
void transmit(uint8_t byte);       // stores it
void start_transmitting();         // what was stored goes out
bool read_byte(uint8_t &byte);     // next byte from the host, if one waits
uint16_t receive_overruns();

// --- pulses. No throttle pulse is sent before the first set_safe_pulse().
void set_safe_pulse(uint16_t us);  // what cut_power() puts out; goes out at once when nothing above it may
void set_throttle(uint16_t us);    // nothing but the safe pulse while the second cut is open
void set_servo(uint16_t us);       // before the first call no pulse is sent
void set_rates(uint16_t throttle_hz, uint16_t servo_hz);  // pulses a second, 40 to 400; 0 leaves one as it is
void cut_power();                  // safe pulse at once, the running pulse cut short; interrupts are held off
void end_cut();                    // until then set_throttle() puts out the safe pulse, whatever it is given

// Contactor, or the controller's own supply: closed only while armed or turning; cut_power() opens it by itself, and
// so do a reset and a floating pin.
void second_cut(bool closed);

// --- tach: the board hands every captured edge to tach::judged_at_once() and tach::taken() of tach.h, within its
// interrupt, and cuts the power when they say so.

// --- interrupts
uint8_t hold_interrupts();         // returns what release_interrupts() restores
void release_interrupts(uint8_t before);

// --- memory
uint16_t recall_safe_pulse();      // kept over power-off; 0: never kept, or damaged
void keep_safe_pulse(uint16_t us);  // may take some 15 ms; only while locked or on arming
void note_driving(bool driving);   // remembered over a restart that keeps the memory: armed, turning or tripped

// --- restart and watchdog
uint8_t restart_cause();           // bits of wire::Restart; 0 when a boot loader has cleared them
bool restarted_unexpectedly();     // watchdog, brown-out, or any restart while driving
void watchdog_fed();
void look_at_stack();              // a piece of the search for the deepest stack so far
uint16_t free_ram();               // bytes never used by the stack

// --- analogue channels, each the mean of all conversions since the last call, rounded to the nearest count
struct Analogue {
  uint16_t current_counts, voltage_counts, servo_counts;  // 10 bits, against the supply
  uint16_t reference_counts;       // build::REFERENCE_MV against the supply, in sixteenths of a count; 0: none yet
};
Analogue analogue();

// --- accelerometer: SPI, clock idles high, second edge, most significant bit first, at most 5 MHz
void select_accelerometer();
void deselect_accelerometer();
uint8_t exchange(uint8_t byte);

// --- load-cell converter on two wires
bool load_data();                  // level of its data line
bool clocked_load_bit();           // raises the clock, reads the data line, lowers the clock; within about 1 us

}  // namespace hooks
