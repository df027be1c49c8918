// Pulses for speed controller and pitch servo, and the cut. Declared in hooks.h; here is what the tach interrupt needs
// within itself, so that the cut does not wait for a function call.
//
// Timer1 runs freely at 2 MHz; its compare outputs make the edges in hardware, an interrupt only prepares the next one.
#pragma once

#include <avr/io.h>
#include <stdint.h>

#include "pins.h"

namespace outputs {

const uint16_t FRAME_TICKS = 5000;     // 2.5 ms: 400 frames a second
const uint16_t SHORTEST_GAP_TICKS = 1000;  // between two pulses
const uint16_t SOON_TICKS = 40;        // a compare value this far ahead is surely met

struct Channel {
  volatile uint16_t pulse_ticks;
  volatile uint16_t edge;  // when the latest edge came
  volatile uint8_t high;
};

extern Channel throttle;
extern volatile uint16_t safe_ticks;
extern volatile uint8_t is_cut;
extern volatile uint8_t power_is_on;  // the second cut is closed: pulses above the safe one may leave

void begin();

inline void connect_throttle(uint8_t mode) {
  TCCR1A = static_cast<uint8_t>((TCCR1A & ~(_BV(COM1A1) | _BV(COM1A0))) | mode);
}
const uint8_t SET_ON_MATCH = _BV(COM1A1) | _BV(COM1A0);
const uint8_t CLEAR_ON_MATCH = _BV(COM1A1);

// After a match: prepares the next edge. The port bit follows the pin, so that pin and port never disagree.
inline void next_throttle_edge() {
  const uint16_t edge = OCR1A;
  const uint16_t pulse = throttle.pulse_ticks;
  if (throttle.high) {
    throttle.high = 0;
    connect_throttle(SET_ON_MATCH);
    PULSE_PORT &= static_cast<uint8_t>(~_BV(THROTTLE_BIT));
    const uint16_t width = edge - throttle.edge;
    OCR1A = edge + (FRAME_TICKS - width > SHORTEST_GAP_TICKS ? FRAME_TICKS - width : SHORTEST_GAP_TICKS);
  } else {
    throttle.high = 1;
    connect_throttle(CLEAR_ON_MATCH);
    PULSE_PORT |= _BV(THROTTLE_BIT);
    OCR1A = edge + pulse;
  }
  throttle.edge = edge;
}

// The pin goes low now, whatever the compare unit was about to do, and the next pulse follows after the shortest gap.
inline void force_throttle_low() {
  PULSE_PORT &= static_cast<uint8_t>(~_BV(THROTTLE_BIT));
  TCCR1C = _BV(FOC1A);  // clears the compare unit's own output, which was set to "clear on match"
  connect_throttle(0);
  const uint16_t now = TCNT1;
  throttle.high = 0;
  throttle.edge = now;
  OCR1A = now + SHORTEST_GAP_TICKS;
  TIFR1 = _BV(OCF1A);
  connect_throttle(SET_ON_MATCH);
}

// Interrupts are off. The pulse that is out ends at the safe width, or at once when it is past that; a pulse that is
// still to come is brought forward. So a whole safe pulse is out after at most gap + safe pulse.
inline void cut_throttle() {
  SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
  power_is_on = 0;
  is_cut = 1;
  if (safe_ticks == 0) {
    return;  // no pulse was ever sent
  }
  throttle.pulse_ticks = safe_ticks;
  if (TIFR1 & _BV(OCF1A)) {  // an edge came and its interrupt still waits
    next_throttle_edge();
    TIFR1 = _BV(OCF1A);
  }
  const uint16_t since_edge = TCNT1 - throttle.edge;
  if (throttle.high) {
    if (since_edge + SOON_TICKS < safe_ticks) {
      OCR1A = throttle.edge + safe_ticks;
    } else {
      force_throttle_low();
    }
  } else {
    const uint16_t wait = since_edge + SOON_TICKS < SHORTEST_GAP_TICKS ? SHORTEST_GAP_TICKS : since_edge + SOON_TICKS;
    const uint16_t planned = OCR1A - throttle.edge;
    if (wait < planned) {
      OCR1A = throttle.edge + wait;
    }
  }
}

}  // namespace outputs
