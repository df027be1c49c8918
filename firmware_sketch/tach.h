// Tach edges within the interrupt: judged at once, kept for the loop. The board calls captured(); inline, so that the
// cut does not wait for a function call.
#pragma once

#include "hooks.h"
#include "machine.h"
#include "sensors.h"
#include "tach_marks.h"

namespace tach {

const uint8_t EDGE_ROOM = 32;  // a power of two

extern Marks marks;
extern volatile uint32_t edges[EDGE_ROOM];  // in ticks, for the loop
extern volatile uint8_t edge_head, edge_tail;
extern volatile uint16_t edges_lost;  // since the ring ran full: it takes no more until the loop has emptied it

// Takes an edge; true when the power has to be cut. Interrupts are off.
inline bool captured(uint32_t ticks) {
  const bool trips = marks.feed(ticks) && stand.overspeed_trips(marks.turn_ticks());
  const uint8_t next = static_cast<uint8_t>((edge_head + 1) & (EDGE_ROOM - 1));
  if (edges_lost != 0 || next == edge_tail) {
    ++edges_lost;
  } else {
    edges[edge_head] = ticks;
    edge_head = next;
  }
  return trips;
}

// After the cut.
inline void note_overspeed(const hooks::Moment &moment) {
  stand.note_overspeed(marks.turn_ticks(), moment.time_us());
}

}  // namespace tach
