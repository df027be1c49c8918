// Tach edges: captured by the timer, judged in the interrupt, collected by the loop.
#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"
#include "hooks.h"
#include "messages.h"
#include "outputs.h"
#include "pins.h"
#include "sensors.h"

namespace {

const uint8_t EDGE_ROOM = 32;  // a power of two

messages::TachBatch batch;

volatile uint32_t edges[EDGE_ROOM];  // in ticks
volatile uint8_t edge_head, edge_tail;
volatile uint16_t edges_lost;      // since the ring ran full: it takes no more until the loop has emptied it
volatile uint8_t has_previous;     // an edge came since the rotor was last at rest
volatile uint32_t previous_ticks;  // for the interrupt
uint32_t taken_ticks;              // for the loop
uint16_t tach_overruns;

}  // namespace

ISR(CLOCK_CAPT_vect) {
  const uint16_t captured = CLOCK_ICR;
  uint32_t overflows = board::clock_overflows;
  if ((CLOCK_TIFR & _BV(TOV1)) && captured < 0x8000) {
    ++overflows;
  }
  const uint32_t ticks = (overflows << 16) | captured;
  const uint32_t period = ticks - previous_ticks;
  if (has_previous && stand.overspeed_trips(period)) {
    outputs::cut_throttle();
    const board::Moment moment = {ticks, ((overflows >> 16) & 1) != 0};
    stand.note_overspeed(period, moment.time_us());
  }
  has_previous = 1;
  previous_ticks = ticks;
  const uint8_t next = static_cast<uint8_t>((edge_head + 1) & (EDGE_ROOM - 1));
  if (edges_lost != 0 || next == edge_tail) {
    ++edges_lost;
  } else {
    edges[edge_head] = ticks;
    edge_head = next;
  }
}

namespace sensors {

namespace {

// The moment of an edge that is at most half a turn of the 33-bit clock old.
board::Moment moment_of(uint32_t ticks, const board::Moment &now) {
  return board::Moment{ticks, now.carry != (ticks > now.ticks)};
}

void forget_previous_at_rest() {
  const uint8_t before = hooks::hold_interrupts();
  if (stand.at_rest() && edge_tail == edge_head) {
    has_previous = 0;
  }
  hooks::release_interrupts(before);
}

void account_for_losses() {
  const uint8_t before = hooks::hold_interrupts();
  const uint16_t lost = edges_lost;
  edges_lost = 0;
  hooks::release_interrupts(before);
  batch.skip(stand.sender(), lost);
  tach_overruns = static_cast<uint16_t>(tach_overruns + lost);
}

}  // namespace

void take_edges(uint32_t now_us) {
  for (uint8_t i = 0; i < EDGE_ROOM && edge_tail != edge_head; ++i) {  // bounded, should noise come in faster
    const uint32_t ticks = edges[edge_tail];
    edge_tail = static_cast<uint8_t>((edge_tail + 1) & (EDGE_ROOM - 1));
    const board::Moment moment = moment_of(ticks, board::now());
    stand.saw_edge(moment.time_us(), stand.at_rest() ? 0 : ticks - taken_ticks);
    taken_ticks = ticks;
    batch.add(stand.sender(), moment.time_us(), moment.half_us(), now_us);
  }
  if (edges_lost != 0 && edge_tail == edge_head) {
    account_for_losses();
  }
  forget_previous_at_rest();
  batch.flush_when_due(stand.sender(), now_us);
}

uint16_t edges_overrun() { return tach_overruns; }

}  // namespace sensors
