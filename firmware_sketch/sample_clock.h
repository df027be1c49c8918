// Times for the samples of a sensor that runs on its own clock and is asked again and again. Portable: no Arduino.h.
#pragma once

#include <stdint.h>

namespace sample_clock {

// A sample found at a poll came after the poll before and not later than this one. Between these bounds its time is
// the time of the one before plus the sensor's period, and the period is measured over thousands of samples.
class SampleClock {
 public:
  void begin(uint32_t period_ns, uint32_t now_us);

  // Begins a poll that found `waiting` samples: call before the first next_us() of the poll.
  void poll(uint8_t waiting, uint32_t now_us);
  // Time of the next sample of this poll.
  uint32_t next_us();

  // Samples were lost: returns how many, by the time that has passed, and starts again from the present poll.
  uint32_t skip(uint8_t waiting, uint32_t now_us);

  uint32_t period_ns() const { return period_ns_; }

 private:
  void anchor(uint32_t time_us);
  void advance();
  void measure();
  void set_period(uint32_t period_ns);

  uint32_t period_ns_;
  uint16_t whole_us_;      // of the period, and the rest: worked out once, because a division is slow here
  uint16_t rest_ns_;
  uint32_t time_us_;       // of the latest sample
  uint16_t fraction_ns_;
  uint32_t previous_poll_us_;
  uint32_t poll_us_;
  uint8_t waiting_;        // samples of this poll not yet taken
  uint32_t baseline_us_;   // from here the period is measured
  uint16_t counted_;       // samples since
  uint8_t shift_;          // length of the baseline: 2^shift samples
};

}  // namespace sample_clock
