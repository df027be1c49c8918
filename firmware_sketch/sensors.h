// What is measured: tach edges, three analogue channels, supply, load cell, accelerometer.
#pragma once

#include <stdint.h>

#include "machine.h"

// The one machine of the sketch, by name: the tach interrupt reaches it faster than through a pointer.
extern machine::Machine stand;

namespace sensors {

void begin();

// Who the device is, with the parts that are fitted.
machine::Identity identity(uint16_t slow_rate_hz);

// Each is called in every turn of the loop and takes what has come since.
void take_edges(uint32_t now_us);
void take_samples();
void take_load();

// The slow channels: means since the last call, and the latest reading of the load cell.
machine::Readings readings();

struct Losses {
  uint16_t tach_overruns;
  uint16_t tach_missed;
  uint16_t tach_extra;
  uint16_t accelerometer_overruns;
  uint16_t load_cell_readings;  // since the last call
};
Losses losses();

}  // namespace sensors
