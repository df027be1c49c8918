// The accelerometer: 13 bits, 3.9 mg a count, a FIFO of 32 samples, read over SPI. It runs on its own clock.
#include <avr/io.h>
#include <util/delay.h>

#include "board.h"
#include "messages.h"
#include "pins.h"
#include "sample_clock.h"
#include "sensors.h"

namespace {

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
const uint8_t FIFO_FULL = 32;
const uint8_t SAMPLES_AT_ONCE = 4;     // bounds one turn of the loop
const uint32_t POLL_US = 200;

messages::VibrationBlock block;
sample_clock::SampleClock times;
uint32_t next_index;
uint32_t polled_us;
uint16_t overruns;
bool fitted;

uint8_t exchange(uint8_t byte) {
  SPDR = byte;
  while (!(SPSR & _BV(SPIF))) {
  }
  return SPDR;
}

void select() { ACCEL_PORT &= static_cast<uint8_t>(~_BV(ACCEL_CS_BIT)); }
void deselect() { ACCEL_PORT |= _BV(ACCEL_CS_BIT); }

void write(uint8_t address, uint8_t value) {
  select();
  exchange(address);
  exchange(value);
  deselect();
}

uint8_t read(uint8_t address) {
  select();
  exchange(address | READ);
  const uint8_t value = exchange(0);
  deselect();
  return value;
}

void read_sample(int16_t *counts) {
  select();
  exchange(DATA | READ | MANY);
  for (uint8_t axis = 0; axis < 3; ++axis) {
    const uint8_t low = exchange(0);
    const uint8_t high = exchange(0);
    counts[axis] = static_cast<int16_t>(static_cast<uint16_t>(low) | (static_cast<uint16_t>(high) << 8));
  }
  deselect();
  _delay_us(4);  // the part moves the next sample up in 5 us, of which the next command's byte takes 2
}

void start_spi() {
  ACCEL_DDR |= _BV(ACCEL_CS_BIT);
  deselect();
  DDRB |= _BV(SPI_SS_BIT) | _BV(SPI_SCK_BIT) | _BV(SPI_MOSI_BIT);
  SPCR = _BV(SPE) | _BV(MSTR) | _BV(CPOL) | _BV(CPHA);  // 4 MHz, clock idles high
}

}  // namespace

namespace sensors {

void begin_accelerometer() {
  start_spi();
  fitted = read(DEVICE_ID) == EXPECTED_ID;
  if (fitted) {
    write(POWER_CTL, 0);
    write(DATA_FORMAT, FULL_RESOLUTION);
    write(BW_RATE, RATE_CODE);
    write(FIFO_CTL, 0);  // empties the FIFO
    write(FIFO_CTL, STREAM);
    write(POWER_CTL, MEASURE);
  }
  polled_us = board::now().time_us();
  times.begin(1000000000UL / VIBRATION_RATE_HZ, polled_us);
}

uint8_t vibration_axes() { return fitted ? 3 : 0; }

void take_samples() {
  const uint32_t now_us = board::now().time_us();
  if (!fitted || block.send_if_full(stand.sender()) || now_us - polled_us < POLL_US) {
    return;
  }
  polled_us = now_us;
  uint8_t waiting = read(FIFO_STATUS) & 0x3F;
  if (waiting > FIFO_FULL) {
    return;  // no such answer: the wire is loose; the machine notices the silence
  }
  if (waiting == FIFO_FULL) {
    const uint32_t lost = times.skip(waiting, now_us);
    next_index += lost;
    overruns = static_cast<uint16_t>(overruns + lost);
  } else {
    times.poll(waiting, now_us);
  }
  for (uint8_t i = 0; i < SAMPLES_AT_ONCE && waiting != 0; ++i, --waiting) {
    int16_t counts[3];
    read_sample(counts);
    block.add(stand.sender(), next_index, times.next_us(), times.period_ns(), counts);
    stand.saw_sample(next_index, counts, now_us);
    ++next_index;
  }
}

uint16_t samples_overrun() { return overruns; }

}  // namespace sensors
