// Accelerometer of 12 bits, left-justified in 16, 12 mg a count over +-16 g, with a FIFO of 32 samples, identity 0x33.
// Registers and codes from memory of its data sheet, tried on a simulated part only.
#pragma once

#include "hooks.h"
#include "wire_messages.h"

namespace accelerometer_12_bit {

enum Register : uint8_t {
  WHO_AM_I = 0x0F,
  CTRL_1 = 0x20,
  CTRL_4 = 0x23,
  CTRL_5 = 0x24,
  DATA = 0x28,
  FIFO_CTRL = 0x2E,
  FIFO_SOURCE = 0x2F,
};
const uint8_t READ = 0x80;
const uint8_t MANY = 0x40;
const uint8_t EXPECTED_ID = 0x33;
const uint8_t RATE_AND_AXES = 0x97;   // 1344 samples/s, x, y and z
const uint8_t FORMAT = 0xB8;          // no half-read samples, +-16 g, high resolution
const uint8_t FIFO_ENABLE = 0x40;
const uint8_t BYPASS = 0x00;
const uint8_t STREAM = 0x80;          // the FIFO keeps the newest samples
const uint8_t OVERRUN = 0x40;         // in FIFO_SOURCE: full, one was lost
const uint8_t EMPTY = 0x20;

struct Driver {
  static const uint8_t IDENTITY = wire::ACCELEROMETER_BITS_12;
  static const uint16_t UG_PER_COUNT = 12000;
  static const uint16_t RATE_HZ = 1344;
  static const uint8_t FIFO_ROOM = 32;

  // False when the part does not answer.
  static bool begin() {
    if (read(WHO_AM_I) != EXPECTED_ID) {
      return false;
    }
    write(CTRL_4, FORMAT);
    write(CTRL_5, FIFO_ENABLE);
    write(FIFO_CTRL, BYPASS);  // empties the FIFO
    write(FIFO_CTRL, STREAM);
    write(CTRL_1, RATE_AND_AXES);
    return true;
  }

  // Samples in the FIFO; more than its room: no such answer, the wire is loose. The part counts to 31 and has a bit of
  // its own for the 32nd.
  static uint8_t waiting() {
    const uint8_t source = read(FIFO_SOURCE);
    if ((source & EMPTY) && (source & (OVERRUN | 0x1F))) {
      return 0xFF;  // empty and not empty
    }
    return source & OVERRUN ? FIFO_ROOM : source & 0x1F;
  }

  static void take(int16_t *counts) {
    hooks::select_accelerometer();
    hooks::exchange(DATA | READ | MANY);
    for (uint8_t axis = 0; axis < 3; ++axis) {
      const uint8_t low = hooks::exchange(0);
      const uint8_t high = hooks::exchange(0);
      const uint16_t left = static_cast<uint16_t>(low) | (static_cast<uint16_t>(high) << 8);
      counts[axis] = static_cast<int16_t>(static_cast<int16_t>(left) >> 4);
    }
    hooks::deselect_accelerometer();
  }

 private:
  static void write(uint8_t address, uint8_t value) {
    hooks::select_accelerometer();
    hooks::exchange(address);
    hooks::exchange(value);
    hooks::deselect_accelerometer();
  }

  static uint8_t read(uint8_t address) {
    hooks::select_accelerometer();
    hooks::exchange(address | READ);
    const uint8_t value = hooks::exchange(0);
    hooks::deselect_accelerometer();
    return value;
  }
};

}  // namespace accelerometer_12_bit
