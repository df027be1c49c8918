// Tach edges as the loop collects them; the interrupt's part is in tach.h.
#include "tach.h"

#include "messages.h"

namespace tach {

Marks marks;
volatile uint32_t edges[EDGE_ROOM];
volatile uint8_t edge_head, edge_tail;
volatile uint16_t edges_lost;

}  // namespace tach

namespace sensors {

namespace {

messages::TachBatch batch;
uint32_t taken_ticks;   // of the edge before
uint16_t tach_overruns;
uint8_t marks_per_turn;

// The moment of an edge that is at most half a turn of the 33-bit clock old.
hooks::Moment moment_of(uint32_t ticks, const hooks::Moment &now) {
  return hooks::Moment{ticks, now.carry != (ticks > now.ticks)};
}

// At rest the next edge begins a turn of which nothing is known; so it does when a limit changed the marks.
void begin_anew_when_due() {
  const uint8_t before = hooks::hold_interrupts();
  if (marks_per_turn != stand.marks_per_turn()) {
    marks_per_turn = stand.marks_per_turn();
    tach::marks.set(marks_per_turn);
  }
  if (stand.at_rest() && tach::edge_tail == tach::edge_head) {
    tach::marks.forget();
  }
  hooks::release_interrupts(before);
}

uint32_t turn_ticks() {
  const uint8_t before = hooks::hold_interrupts();
  const uint32_t ticks = tach::marks.turn_ticks();
  hooks::release_interrupts(before);
  return ticks;
}

void account_for_losses() {
  const uint8_t before = hooks::hold_interrupts();
  const uint16_t lost = tach::edges_lost;
  tach::edges_lost = 0;
  hooks::release_interrupts(before);
  batch.skip(stand.sender(), lost);
  tach_overruns = static_cast<uint16_t>(tach_overruns + lost);
}

}  // namespace

void take_edges(uint32_t now_us) {
  using namespace tach;
  for (uint8_t i = 0; i < EDGE_ROOM && edge_tail != edge_head; ++i) {  // bounded, should noise come in faster
    const uint32_t ticks = edges[edge_tail];
    edge_tail = static_cast<uint8_t>((edge_tail + 1) & (EDGE_ROOM - 1));
    const hooks::Moment moment = moment_of(ticks, hooks::now());
    stand.saw_edge(moment.time_us(), stand.at_rest() ? 0 : ticks - taken_ticks, turn_ticks());
    taken_ticks = ticks;
    batch.add(stand.sender(), moment.time_us(), moment.half_us(), now_us);
  }
  if (edges_lost != 0 && edge_tail == edge_head) {
    account_for_losses();
  }
  begin_anew_when_due();
  batch.flush_when_due(stand.sender(), now_us);
}

void count_edges(Losses &losses) {
  const uint8_t before = hooks::hold_interrupts();
  losses.tach_missed = tach::marks.missed;
  losses.tach_extra = tach::marks.extra;
  hooks::release_interrupts(before);
  losses.tach_overruns = tach_overruns;
}

}  // namespace sensors
