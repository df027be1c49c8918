// Analogue channels by interrupt, the load cell's converter bit by bit, and what the loop asks for.
#include "sensors.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"
#include "hooks.h"
#include "pins.h"

namespace sensors {

// In accelerometer.cpp and tach.cpp.
void begin_accelerometer();
uint16_t edges_overrun();
uint16_t samples_overrun();

namespace {

const uint8_t ANALOGUE_CHANNELS = 3;  // A0 current, A1 voltage, A2 servo feedback
const uint8_t SUPPLY_REFERENCE = _BV(REFS0);
#ifndef SERVO_FEEDBACK_FITTED
#define SERVO_FEEDBACK_FITTED 1
#endif
const uint16_t NOT_FITTED = 0xFFFF;

volatile uint16_t analogue[ANALOGUE_CHANNELS];
volatile uint8_t converting;
int32_t load_counts;
uint16_t load_readings;
uint32_t load_at_us;
bool has_load;

uint8_t load_age_ms() {
  const uint32_t age_ms = (board::now().time_us() - load_at_us) / 1000;
  if (age_ms >= 0xFF) {
    has_load = false;  // else its age would begin anew when the clock wraps
  }
  return has_load ? static_cast<uint8_t>(age_ms) : 0xFF;
}

void begin_analogue() {
  ADMUX = SUPPLY_REFERENCE;
  ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0) | _BV(ADSC);  // 125 kHz: 9600 conversions/s
}

void begin_load_cell() {
  LOAD_DDR |= _BV(LOAD_SCK_BIT);
  LOAD_PORT &= static_cast<uint8_t>(~_BV(LOAD_SCK_BIT));  // high for 60 us would switch the converter off
  LOAD_DDR &= static_cast<uint8_t>(~_BV(LOAD_DOUT_BIT));
  LOAD_PORT |= _BV(LOAD_DOUT_BIT);  // pull-up: without a converter it never says "ready"
}

// One clock: the converter shows its next bit after the rising edge. Interrupts are held off for about 1 us, since a
// long one would stretch the clock.
bool clocked_bit() {
  const uint8_t before = hooks::hold_interrupts();
  LOAD_PORT |= _BV(LOAD_SCK_BIT);
  __builtin_avr_delay_cycles(4);
  const bool bit = LOAD_PIN & _BV(LOAD_DOUT_BIT);
  LOAD_PORT &= static_cast<uint8_t>(~_BV(LOAD_SCK_BIT));
  hooks::release_interrupts(before);
  return bit;
}

int32_t clocked_reading() {
  uint32_t value = 0;
  for (uint8_t i = 0; i < 24; ++i) {
    value = (value << 1) | clocked_bit();
  }
  clocked_bit();  // the 25th chooses the same input and gain for the next conversion
  return static_cast<int32_t>(value << 8) >> 8;  // sign
}

}  // namespace

void begin() {
  begin_analogue();
  begin_load_cell();
  begin_accelerometer();
}

void take_load() {
  if (LOAD_PIN & _BV(LOAD_DOUT_BIT)) {
    return;  // not ready
  }
  load_counts = clocked_reading();
  load_at_us = board::now().time_us();
  has_load = true;
  ++load_readings;
}

machine::Readings readings() {
  const uint8_t before = hooks::hold_interrupts();
  machine::Readings latest;
  latest.current_counts = analogue[0];
  latest.voltage_counts = analogue[1];
  latest.servo_counts = SERVO_FEEDBACK_FITTED ? analogue[2] : NOT_FITTED;
  hooks::release_interrupts(before);
  latest.load_counts = load_counts;
  latest.load_age_ms = load_age_ms();
  latest.supply_mv = 0;
  return latest;
}

Losses losses() {
  const Losses counted = {edges_overrun(), samples_overrun(), load_readings};
  load_readings = 0;
  return counted;
}

}  // namespace sensors

ISR(ADC_vect) {
  using namespace sensors;
  const uint8_t channel = converting;
  const uint8_t next = channel + 1 == ANALOGUE_CHANNELS ? 0 : channel + 1;
  analogue[channel] = ADC;
  converting = next;
  ADMUX = SUPPLY_REFERENCE | next;
  ADCSRA |= _BV(ADSC);
}
