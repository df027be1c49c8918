// Slow channels and load cell, and what the loop asks for. Portable: no Arduino.h.
#include "sensors.h"

#include "build_choice.h"
#include "build_parts.h"
#include "elapsed.h"
#include "hooks.h"

namespace sensors {

// In accelerometer.cpp and tach.cpp.
void begin_accelerometer();
void count_edges(Losses &losses);
uint16_t samples_overrun();
uint8_t vibration_axes();  // 3 when an accelerometer answered at start, else 0

namespace {

const uint16_t NOT_FITTED = 0xFFFF;
const uint16_t CONVERTER_STEPS = 1024;  // counts over the whole supply

int32_t load_counts;
uint16_t load_readings;
Elapsed load_age;
bool has_load;

uint8_t load_age_ms() {
  if (!has_load) {
    return 0xFF;
  }
  const uint16_t age_ms = load_age.ms(hooks::now().time_us());
  return age_ms > 0xFF ? 0xFF : static_cast<uint8_t>(age_ms);
}

// Worked out anew at every eighth call only, 16 ms: it takes a division. The converter rounds down: on average a voltage
// lies half a count above what it says.
uint16_t supply_mv(uint16_t reference_sixteenths) {
  static uint16_t latest_mv;
  static uint8_t calls;
  if (reference_sixteenths != 0 && (latest_mv == 0 || (++calls & 7) == 0)) {
    const uint32_t mv = build::REFERENCE_MV * (16UL * CONVERTER_STEPS) / (reference_sixteenths + 8);
    latest_mv = mv > 0xFFFF ? 0xFFFF : static_cast<uint16_t>(mv);
  }
  return latest_mv;
}

}  // namespace

void begin() {
  LoadConverterDriver::begin();
  begin_accelerometer();
}

machine::Identity identity(uint16_t slow_rate_hz) {
  machine::Identity own;
  own.board = hooks::BOARD;
  own.restart_cause = hooks::restart_cause();
  own.slow_rate_hz = slow_rate_hz;
  own.vibration_rate_hz = AccelerometerDriver::RATE_HZ;
  own.vibration_axes = vibration_axes();
  own.accelerometer = wire::ACCELEROMETER_NONE;
  if (own.vibration_axes != 0) {
    own.accelerometer = AccelerometerDriver::IDENTITY;
  }
  own.accelerometer_ug_per_count = AccelerometerDriver::UG_PER_COUNT;
  own.load_converter = LoadConverterDriver::IDENTITY;
  own.load_counts_per_mv_v = LoadConverterDriver::COUNTS_PER_MV_V;
  return own;
}

void take_load() {
  if (!LoadConverterDriver::ready()) {
    return;
  }
  load_counts = LoadConverterDriver::take();
  load_age.begin(hooks::now().time_us());
  has_load = true;
  ++load_readings;
}

machine::Readings readings() {
  const hooks::Analogue means = hooks::analogue();
  machine::Readings latest;
  latest.current_counts = means.current_counts;
  latest.voltage_counts = means.voltage_counts;
  latest.servo_counts = build::SERVO_FEEDBACK_FITTED ? means.servo_counts : NOT_FITTED;
  latest.load_counts = load_counts;
  latest.load_age_ms = load_age_ms();
  latest.supply_mv = supply_mv(means.reference_counts);
  return latest;
}

Losses losses() {
  Losses counted;
  count_edges(counted);
  counted.accelerometer_overruns = samples_overrun();
  counted.load_cell_readings = load_readings;
  load_readings = 0;
  return counted;
}

}  // namespace sensors
