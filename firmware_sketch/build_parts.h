// The accelerometer and the load cell's converter that are wired: one line each names the driver. README.md tells which
// is which; a new part is one more such header.
#pragma once

#include "accelerometer_13_bit.h"
#include "load_converter_pulsed.h"

typedef accelerometer_13_bit::Driver AccelerometerDriver;
typedef load_converter_pulsed::Driver LoadConverterDriver;
