// Tach edges within the interrupt: judged at once, kept for the loop. The board calls judged_at_once() and
// taken(); inline, so that the cut does not wait for a function call.
#pragma once

#include "hooks.h"
#include "machine.h"
#include "sensors.h"
#include "tach_marks.h"

namespace tach {

const uint8_t EDGE_ROOM = 16;  // a power of two: 2 ms of edges at 8000 a second

extern Marks marks;
extern volatile uint32_t edges[EDGE_ROOM];  // in ticks, for the loop
extern volatile uint8_t edge_head, edge_tail;
extern volatile uint16_t edges_lost;  // since the ring ran full: it takes no more until the loop has emptied it

// The quick half of an edge: 1 it trips, 0 it does not, -1 it cannot be told so quickly. Interrupts are off.
inline int8_t judged_at_once(uint32_t ticks) {
  return marks.is_plain(ticks) ? stand.overspeed_trips(marks.plain_turn(ticks)) : -1;
}

// The other half: takes the edge; true when the power has to be cut now, since it was not judged at once.
inline bool taken(uint32_t ticks, bool is_judged) {
  const bool trips = marks.feed(ticks) && !is_judged && stand.overspeed_trips(marks.turn_ticks());
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
