// The bench's own governor: an integer PI law from speed error to a pulse. Twin of bench/whirlbench/physics/governor_law.py,
// equal to it bit by bit. Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "wire_messages.h"

namespace governor {

const uint16_t TICKS_PER_S = 500;  // the law is stepped every 2 ms
const int32_t GAIN_LIMIT = 65536000L;  // 1000 us per rpm in Q16.16: keeps every product within 64 bits

// Shaft speed in whole rpm, rounded to nearest, at most 65535; 0 for a period of 0 ("at rest").
uint16_t speed_rpm(uint32_t period_ticks, uint8_t pulses_per_rev);

// Q32.32 change of the integrator in one step for each rpm of error, from a gain in Q16.16; towards zero.
int64_t push_q32(int32_t ki);

// Q32.32 change of the output permitted in one step; `us_per_s` zero permits any.
int64_t slew_q32(uint16_t us_per_s);

// What the law needs to know of the output it drives; worked out beforehand, because 64-bit divisions are slow here.
struct Settings {
  int32_t kp;    // us per rpm, Q16.16, signed
  int64_t push;  // of push_q32
  uint16_t min_us;
  uint16_t max_us;
  int64_t rise;  // of slew_q32
  int64_t fall;
  bool falls_without_speed;  // no tach period: true takes the output to min_us (throttle), false holds it (pitch)
};

// PI with a clamped output. The integrator is frozen while the output is held back (by its range or its slew) in the
// direction in which the integrator would push; it is preset so that the output starts from the pulse found.
class Law {
 public:
  // Starts from the pulse that is going out now.
  void engage(uint16_t present_us);

  // The gains changed: the integrator is preset again, so that the output does not jump.
  void rejoin() { preset_ = false; }

  // One step of 2 ms: the pulse to send. `period_ticks` is the latest tach period, 0 at rest.
  uint16_t step(const Settings &settings, uint16_t request_rpm, uint32_t period_ticks, uint8_t pulses_per_rev);

  int64_t output_q32() const { return output_; }
  int64_t integral_q32() const { return integral_; }

 private:
  // Divides only when the period is another one than at the step before.
  uint16_t speed(uint32_t period_ticks, uint8_t pulses_per_rev);

  int64_t output_;    // us, Q32.32
  int64_t integral_;  // us, Q32.32
  bool preset_;       // the integrator joins on to the output
  uint32_t told_ticks_;
  uint16_t told_rpm_;
  uint8_t told_pulses_;
};

}  // namespace governor
