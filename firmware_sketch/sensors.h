// What is measured: tach edges, three analogue channels, load cell, accelerometer.
#pragma once

#include <stdint.h>

#include "machine.h"

// The one machine of the sketch, by name: the tach interrupt reaches it faster than through a pointer.
extern machine::Machine stand;

namespace sensors {

void begin();

const uint16_t VIBRATION_RATE_HZ = 1600;
uint8_t vibration_axes();  // 3 when an accelerometer answered at start, else 0

// Each is called in every turn of the loop and takes what has come since.
void take_edges(uint32_t now_us);
void take_samples();
void take_load();

// Latest counts of the slow channels.
machine::Readings readings();

struct Losses {
  uint16_t tach_overruns;
  uint16_t accelerometer_overruns;
  uint16_t load_cell_readings;  // since the last call
};
Losses losses();

}  // namespace sensors
