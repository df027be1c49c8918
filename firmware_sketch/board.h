// The board: clock, serial port, restart cause, watchdog, free memory.
#pragma once

#include <stdint.h>

namespace board {

// Starts clock, serial port and watchdog; call first, with interrupts on.
void begin();

// One free-running 2 MHz counter is the only clock. A moment is its low 32 bits and the next bit, so that
// microseconds wrap at 2^32.
struct Moment {
  uint32_t ticks;
  bool carry;
  uint32_t time_us() const { return (ticks >> 1) | (carry ? 0x80000000UL : 0); }
  bool half_us() const { return ticks & 1; }
};
Moment now();

extern volatile uint32_t clock_overflows;  // of the 16-bit timer; for the capture interrupt

uint8_t restart_cause();   // bits of wire::Restart; 0 when a boot loader has cleared them
bool restarted_unexpectedly();  // watchdog, brown-out, or any restart while driving

bool read_byte(uint8_t &byte);  // next byte from the host, if one waits
uint16_t receive_overruns();

void watchdog_fed();
void look_at_stack();      // a piece of the search for the deepest stack so far
uint16_t free_ram();       // bytes never used by the stack

}  // namespace board
