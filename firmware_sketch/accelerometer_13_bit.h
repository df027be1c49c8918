// Accelerometer of 13 bits and 3.9 mg a count over +-16 g, with a FIFO of 32 samples, device id 0xE5 (its data sheet).
// At 1600 samples/s its lowest bit is always zero: it resolves 7.8 mg there.
#pragma once

#include "hooks.h"
#include "wire_messages.h"

namespace accelerometer_13_bit {

enum Register : uint8_t {
  DEVICE_ID = 0x00,
  BW_RATE = 0x2C,
  POWER_CTL = 0x2D,
  DATA_FORMAT = 0x31,
  DATA = 0x32,
  FIFO_CTL = 0x38,
  FIFO_STATUS = 0x39,
};
const uint8_t READ = 0x80;
const uint8_t MANY = 0x40;
const uint8_t EXPECTED_ID = 0xE5;
const uint8_t RATE_CODE = 0x0E;        // 1600 samples/s
const uint8_t FULL_RESOLUTION = 0x0B;  // 3.9 mg a count over +-16 g
const uint8_t STREAM = 0x80;           // the FIFO keeps the newest samples
const uint8_t MEASURE = 0x08;

struct Driver {
  static const uint8_t IDENTITY = wire::ACCELEROMETER_BITS_13;
  static const uint16_t UG_PER_COUNT = 3906;  // 256 counts per g
  static const uint16_t RATE_HZ = 1600;
  static const uint8_t FIFO_ROOM = 32;

  // False when the part does not answer.
  static bool begin() {
    if (read(DEVICE_ID) != EXPECTED_ID) {
      return false;
    }
    write(POWER_CTL, 0);
    write(DATA_FORMAT, FULL_RESOLUTION);
    write(BW_RATE, RATE_CODE);
    write(FIFO_CTL, 0);  // empties the FIFO
    write(FIFO_CTL, STREAM);
    write(POWER_CTL, MEASURE);
    return true;
  }

  // Samples in the FIFO; more than its room: no such answer, the wire is loose.
  static uint8_t waiting() { return read(FIFO_STATUS) & 0x3F; }

  static void take(int16_t *counts) {
    hooks::select_accelerometer();
    hooks::exchange(DATA | READ | MANY);
    for (uint8_t axis = 0; axis < 3; ++axis) {
      const uint8_t low = hooks::exchange(0);
      const uint8_t high = hooks::exchange(0);
      counts[axis] = static_cast<int16_t>(static_cast<uint16_t>(low) | (static_cast<uint16_t>(high) << 8));
    }
    hooks::deselect_accelerometer();
    hooks::pause_us(4);  // the part moves the next sample up in 5 us, of which the next command's byte takes 2
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

}  // namespace accelerometer_13_bit
