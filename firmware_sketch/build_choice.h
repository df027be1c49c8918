// What the builder chooses, one line each; the parts are chosen in build_parts.h, the board in the Arduino environment.
#pragma once

#include <stdint.h>

namespace build {

const bool SERVO_FEEDBACK_FITTED = true;  // false: A2 is left open, no feedback is reported
// true only for a speed controller whose neutral lies in the middle of its range; with any other, the pulses that then
// count as safe drive the motor.
const bool MIDDLE_NEUTRAL = false;
// Of the chip's own reference, which differs by up to 9 % from part to part. For a better one: the supply as a meter
// shows it, divided by the supply_mv reported with 1100 here, times 1100.
const uint16_t REFERENCE_MV = 1100;
const uint32_t ID = 0;  // built by hand; tests/firmware/build.py puts the CRC-32 of the sources here

}  // namespace build
