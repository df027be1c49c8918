// Samples of the accelerometer, which runs on its own clock: taken out of its FIFO, timed, streamed and judged.
// Portable: no Arduino.h; the part's own registers are in its driver.
#include "build_parts.h"
#include "hooks.h"
#include "messages.h"
#include "sample_clock.h"
#include "sensors.h"

namespace {

const uint8_t SAMPLES_AT_ONCE = 4;  // bounds one turn of the loop
const uint32_t POLL_US = 200;

messages::VibrationBlock block;
sample_clock::SampleClock times;
uint32_t next_index;
uint32_t polled_us;
uint16_t overruns;
bool fitted;

}  // namespace

namespace sensors {

void begin_accelerometer() {
  fitted = AccelerometerDriver::begin();
  polled_us = hooks::now().time_us();
  times.begin(1000000000UL / AccelerometerDriver::RATE_HZ, polled_us);
}

uint8_t vibration_axes() { return fitted ? 3 : 0; }

void take_samples() {
  const uint32_t now_us = hooks::now().time_us();
  if (!fitted || block.send_if_full(stand.sender()) || now_us - polled_us < POLL_US) {
    return;
  }
  polled_us = now_us;
  uint8_t waiting = AccelerometerDriver::waiting();
  if (waiting > AccelerometerDriver::FIFO_ROOM) {
    return;  // no such answer: the wire is loose; the machine notices the silence
  }
  if (waiting == AccelerometerDriver::FIFO_ROOM) {
    const uint32_t lost = times.skip(waiting, now_us);
    next_index += lost;
    overruns = static_cast<uint16_t>(overruns + lost);
  } else {
    times.poll(waiting, now_us);
  }
  for (uint8_t i = 0; i < SAMPLES_AT_ONCE && waiting != 0; ++i, --waiting) {
    int16_t counts[3];
    AccelerometerDriver::take(counts);
    block.add(stand.sender(), next_index, times.next_us(), times.period_ns(), counts);
    stand.saw_sample(next_index, counts, now_us);
    ++next_index;
  }
}

uint16_t samples_overrun() { return overruns; }

}  // namespace sensors
