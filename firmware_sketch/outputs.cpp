#include "outputs.h"

#include <avr/interrupt.h>

#include "hooks.h"
#include "wire_messages.h"

namespace outputs {

Channel throttle;
volatile uint16_t safe_ticks;  // 0: none was ever set, no pulse goes out
volatile uint8_t is_cut;
volatile uint8_t power_is_on;

namespace {

Channel servo;

void connect_servo(uint8_t mode) {
  TCCR1A = static_cast<uint8_t>((TCCR1A & ~(_BV(COM1B1) | _BV(COM1B0))) | mode);
}

void start_throttle() {
  throttle.high = 0;
  throttle.edge = TCNT1;
  OCR1A = throttle.edge + SHORTEST_GAP_TICKS;
  connect_throttle(SET_ON_MATCH);
  TIFR1 = _BV(OCF1A);
  TIMSK1 |= _BV(OCIE1A);
}

void start_servo() {
  servo.high = 0;
  servo.edge = TCNT1;
  OCR1B = servo.edge + SHORTEST_GAP_TICKS;
  connect_servo(_BV(COM1B1) | _BV(COM1B0));
  TIFR1 = _BV(OCF1B);
  TIMSK1 |= _BV(OCIE1B);
}

}  // namespace

void begin() {
  const uint8_t before = hooks::hold_interrupts();
  PULSE_PORT &= static_cast<uint8_t>(~(_BV(THROTTLE_BIT) | _BV(SERVO_BIT)));
  PULSE_DDR |= _BV(THROTTLE_BIT) | _BV(SERVO_BIT);
  SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
  SECOND_CUT_DDR |= _BV(SECOND_CUT_BIT);
  TCCR1A = 0;
  TCCR1B = CLOCK_RUN;
  hooks::release_interrupts(before);
  const uint16_t kept_us = hooks::recall_safe_pulse();
  if (kept_us != 0) {
    hooks::set_safe_pulse(kept_us);  // before anything else: the controller sees it from the first instant
  }
}

}  // namespace outputs

ISR(TIMER1_COMPA_vect) { outputs::next_throttle_edge(); }

ISR(TIMER1_COMPB_vect) {
  using namespace outputs;
  const uint16_t edge = OCR1B;
  if (servo.high) {
    servo.high = 0;
    connect_servo(_BV(COM1B1) | _BV(COM1B0));
    PULSE_PORT &= static_cast<uint8_t>(~_BV(SERVO_BIT));
    const uint16_t width = edge - servo.edge;
    OCR1B = edge + (FRAME_TICKS - width > SHORTEST_GAP_TICKS ? FRAME_TICKS - width : SHORTEST_GAP_TICKS);
  } else {
    servo.high = 1;
    connect_servo(_BV(COM1B1));
    PULSE_PORT |= _BV(SERVO_BIT);
    OCR1B = edge + servo.pulse_ticks;
  }
  servo.edge = edge;
}

namespace hooks {

void set_safe_pulse(uint16_t us) {
  const uint8_t before = hold_interrupts();
  outputs::safe_ticks = (us > wire::SAFE_PULSE_CAP_US ? wire::SAFE_PULSE_CAP_US : us) * wire::TICKS_PER_US;
  if (!outputs::power_is_on) {
    outputs::throttle.pulse_ticks = outputs::safe_ticks;
  }
  if (!(TIMSK1 & _BV(OCIE1A))) {
    outputs::start_throttle();
  }
  release_interrupts(before);
}

void set_throttle(uint16_t us) {
  const uint8_t before = hold_interrupts();
  const bool free = outputs::power_is_on && !outputs::is_cut;
  outputs::throttle.pulse_ticks = free ? us * wire::TICKS_PER_US : outputs::safe_ticks;
  release_interrupts(before);
}

void set_servo(uint16_t us) {
  const uint8_t before = hold_interrupts();
  outputs::servo.pulse_ticks = us * wire::TICKS_PER_US;
  if (!(TIMSK1 & _BV(OCIE1B))) {
    outputs::start_servo();
  }
  release_interrupts(before);
}

void cut_power() { outputs::cut_throttle(); }

void end_cut() { outputs::is_cut = 0; }

void second_cut(bool closed) {
  const uint8_t before = hold_interrupts();
  if (closed && !outputs::is_cut) {
    SECOND_CUT_PORT |= _BV(SECOND_CUT_BIT);
    outputs::power_is_on = 1;
  } else {
    SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
    outputs::power_is_on = 0;
    outputs::throttle.pulse_ticks = outputs::safe_ticks;
  }
  release_interrupts(before);
}

}  // namespace hooks
