// Load-cell converter of 24 bits on two wires whose 25th clock pulse chooses input and gain: 128, 80 readings/s by its
// rate pin. It has no identity to ask for.
#pragma once

#include "hooks.h"
#include "wire_messages.h"

namespace load_converter_pulsed {

struct Driver {
  static const uint8_t IDENTITY = wire::LOAD_CONVERTER_PULSED_GAIN;
  static const uint32_t COUNTS_PER_MV_V = 2147484UL;  // 2^24 counts over the supply / gain 128; per mV/V of the bridge
  static const uint8_t RATE_HZ = 80;

  static void begin() {}

  static bool ready() { return !hooks::load_data(); }

  static int32_t take() {
    uint32_t value = 0;
    for (uint8_t i = 0; i < 24; ++i) {
      value = (value << 1) | hooks::clocked_load_bit();
    }
    hooks::clocked_load_bit();  // the 25th chooses the same input and gain for the next conversion
    return static_cast<int32_t>(value << 8) >> 8;  // sign
  }
};

}  // namespace load_converter_pulsed
