// Load-cell converter of 24 bits on two wires whose gain and rate are strapped by its pins: wire gain 64 and 80
// readings/s. A 25th clock pulse parks its data line high; a 26th would start a calibration of its offset, with the
// rotor's thrust taken for zero. From memory of its data sheet, tried on a simulated part only.
#pragma once

#include "hooks.h"
#include "wire_messages.h"

namespace load_converter_strapped {

struct Driver {
  static const uint8_t IDENTITY = wire::LOAD_CONVERTER_STRAPPED_GAIN;
  static const uint32_t COUNTS_PER_MV_V = 1073742UL;  // 2^24 counts over the supply / gain 64; per mV/V of the bridge
  static const uint8_t RATE_HZ = 80;

  static void begin() {}

  static bool ready() { return !hooks::load_data(); }

  static int32_t take() {
    uint32_t value = 0;
    for (uint8_t i = 0; i < 24; ++i) {
      value = (value << 1) | hooks::clocked_load_bit();
    }
    hooks::clocked_load_bit();  // parks the data line, so that ready() does not take the last bit for "ready"
    return static_cast<int32_t>(value << 8) >> 8;  // sign
  }
};

}  // namespace load_converter_strapped
