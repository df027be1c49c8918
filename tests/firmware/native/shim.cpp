// C entry points around the portable core, for the tests; and the board that the core asks for, made of memory.
#include <string.h>

#include <new>
#include <vector>

#include "framing.h"
#include "governor.h"
#include "hooks.h"
#include "limit_table.h"
#include "machine.h"
#include "messages.h"
#include "sample_clock.h"
#include "state_table.h"
#include "tach_marks.h"
#include "trips.h"
#include "wire_messages.h"

namespace {

// The board: what was transmitted and put out, of the machine that is being called.
struct FakeBoard {
  std::vector<uint8_t> sent;
  uint16_t room = 0xFFFF;  // of the transmit buffer, refilled by take()
  uint16_t safe_us = 0, throttle_us = 0, servo_us = 0;
  uint32_t cuts = 0;
  uint16_t kept_us = 0, throttle_hz = 0, servo_hz = 0;
  bool is_cut = false, power = false, driving = false;
};

FakeBoard *board;

struct Collect {
  std::vector<uint8_t> bytes;
  void operator()(uint8_t byte) { bytes.push_back(byte); }
};

struct Stand {
  FakeBoard board;
  machine::Machine machine;
};

uint32_t give(const std::vector<uint8_t> &bytes, uint8_t *out) {
  for (size_t i = 0; i < bytes.size(); ++i) {
    out[i] = bytes[i];
  }
  return static_cast<uint32_t>(bytes.size());
}

}  // namespace

namespace hooks {
uint16_t transmit_room() { return board->room; }
void transmit(uint8_t byte) {
  board->sent.push_back(byte);
  if (board->room != 0xFFFF) {
    --board->room;
  }
}
void start_transmitting() {}
void set_safe_pulse(uint16_t us) {
  board->safe_us = us;
  if (!board->power) {
    board->throttle_us = us;
  }
}
void set_rates(uint16_t throttle_hz, uint16_t servo_hz) {
  board->throttle_hz = throttle_hz;
  board->servo_hz = servo_hz;
}
void second_cut(bool closed) {
  board->power = closed && !board->is_cut;
  if (!board->power) {
    board->throttle_us = board->safe_us;
  }
}
uint16_t recall_safe_pulse() { return board->kept_us; }
void keep_safe_pulse(uint16_t us) { board->kept_us = us; }
void set_throttle(uint16_t us) { board->throttle_us = board->power && !board->is_cut ? us : board->safe_us; }
void set_servo(uint16_t us) { board->servo_us = us; }
void cut_power() {
  board->is_cut = true;
  board->power = false;
  board->throttle_us = board->safe_us;
  ++board->cuts;
}
void end_cut() { board->is_cut = false; }
uint8_t hold_interrupts() { return 0; }
void release_interrupts(uint8_t) {}
void note_driving(bool driving) { board->driving = driving; }
}  // namespace hooks

extern "C" {

// --- framing ---

uint32_t core_crc32(const uint8_t *data, uint16_t size) { return framing::crc32(data, size); }

uint32_t core_encode(const uint8_t *data, uint16_t size, uint8_t *out) {
  Collect collect;
  framing::encode(data, size, collect);
  return give(collect.bytes, out);
}

void *receiver_new() { return new framing::Receiver(); }
void receiver_free(void *receiver) { delete static_cast<framing::Receiver *>(receiver); }
uint16_t receiver_bad_frames(void *receiver) { return static_cast<framing::Receiver *>(receiver)->bad_frames; }

// Payloads of the intact frames, each behind one byte of length.
uint32_t receiver_feed(void *receiver, const uint8_t *data, uint32_t size, uint8_t *out) {
  framing::Receiver &own = *static_cast<framing::Receiver *>(receiver);
  std::vector<uint8_t> found;
  for (uint32_t i = 0; i < size; ++i) {
    if (own.push(data[i])) {
      found.push_back(own.length());
      found.insert(found.end(), own.payload(), own.payload() + own.length());
    }
  }
  return give(found, out);
}

// --- trip rules ---

void *overspeed_new(uint32_t limit_ticks, uint8_t confirm) {
  trips::OverspeedRule *rule = new trips::OverspeedRule();
  rule->set(limit_ticks, confirm);
  return rule;
}
void overspeed_free(void *rule) { delete static_cast<trips::OverspeedRule *>(rule); }
int overspeed_feed(void *rule, uint32_t period_ticks) {
  return static_cast<trips::OverspeedRule *>(rule)->feed(period_ticks);
}

void *vibration_new(uint16_t limit_counts, uint16_t window) {
  trips::VibrationRule *rule = new trips::VibrationRule();
  rule->set(limit_counts, window);
  return rule;
}
void vibration_free(void *rule) { delete static_cast<trips::VibrationRule *>(rule); }
int vibration_feed(void *rule, uint32_t index, const int16_t *counts) {
  return static_cast<trips::VibrationRule *>(rule)->feed(index, counts);
}
uint64_t vibration_value(void *rule) { return static_cast<trips::VibrationRule *>(rule)->value(); }
uint16_t vibration_rms_counts(void *rule) { return static_cast<trips::VibrationRule *>(rule)->rms_counts(); }
uint32_t core_square_root(uint64_t value) { return trips::square_root(value); }

void *heartbeat_new(uint16_t limit_ms) {
  trips::HeartbeatRule *rule = new trips::HeartbeatRule();
  rule->set(limit_ms);
  return rule;
}
void heartbeat_free(void *rule) { delete static_cast<trips::HeartbeatRule *>(rule); }
void heartbeat_heard(void *rule, uint32_t now_us) { static_cast<trips::HeartbeatRule *>(rule)->heard(now_us); }
int heartbeat_fresh(void *rule, uint32_t now_us) {
  static_cast<trips::HeartbeatRule *>(rule)->watch(now_us);
  return static_cast<trips::HeartbeatRule *>(rule)->fresh(now_us);
}

void *frozen_new(uint16_t limit) {
  trips::FrozenRule *rule = new trips::FrozenRule();
  rule->set(limit);
  return rule;
}
void frozen_free(void *rule) { delete static_cast<trips::FrozenRule *>(rule); }
int frozen_feed(void *rule, const int16_t *counts) { return static_cast<trips::FrozenRule *>(rule)->feed(counts); }
int frozen_counts(void *rule) { return static_cast<trips::FrozenRule *>(rule)->counts(); }

void *slow_rules_new() {
  trips::SlowRules *rules = new trips::SlowRules();
  rules->set();
  return rules;
}
void slow_rules_free(void *rules) { delete static_cast<trips::SlowRules *>(rules); }
int slow_rules_feed(void *rules, void *table, uint16_t current, uint16_t voltage, uint16_t servo, int32_t load,
                    uint16_t supply_mv, uint8_t load_age_ms, uint16_t throttle_us, uint16_t servo_us) {
  const trips::Readings readings = {current, voltage, servo, load, supply_mv, load_age_ms};
  const limits::Table &limits = *static_cast<limits::Table *>(table);
  return static_cast<trips::SlowRules *>(rules)->feed(limits, readings, throttle_us, servo_us);
}
int32_t slow_rules_detail(void *rules) { return static_cast<trips::SlowRules *>(rules)->detail(); }

void *lost_tach_new() {
  trips::LostTachRule *rule = new trips::LostTachRule();
  rule->set();
  return rule;
}
void lost_tach_free(void *rule) { delete static_cast<trips::LostTachRule *>(rule); }
int lost_tach_feed(void *rule, void *table, uint16_t throttle_us, uint16_t silence_ms) {
  return static_cast<trips::LostTachRule *>(rule)->feed(*static_cast<limits::Table *>(table), throttle_us, silence_ms);
}
int lost_tach_quiet_ms(void *rule) { return static_cast<trips::LostTachRule *>(rule)->quiet_ms(); }

void *cut_proof_new() { return new trips::CutProof(); }
void cut_proof_free(void *proof) { delete static_cast<trips::CutProof *>(proof); }
void cut_proof_begin(void *proof) { static_cast<trips::CutProof *>(proof)->begin(); }
int cut_proof_feed(void *proof, void *table, uint32_t period_ticks, uint16_t current_counts) {
  const limits::Table &limits = *static_cast<limits::Table *>(table);
  return static_cast<trips::CutProof *>(proof)->feed(limits, period_ticks, current_counts);
}
int32_t cut_proof_detail(void *proof) { return static_cast<trips::CutProof *>(proof)->detail(); }
int cut_proof_failed(void *proof) { return static_cast<trips::CutProof *>(proof)->failed(); }

// --- governor ---

uint16_t governor_speed_rpm(uint32_t period_ticks, uint8_t pulses_per_rev) {
  return governor::speed_rpm(period_ticks, pulses_per_rev);
}
int64_t governor_push_q32(int32_t ki) { return governor::push_q32(ki); }
int64_t governor_slew_q32(uint16_t us_per_s) { return governor::slew_q32(us_per_s); }
void *governor_new(uint16_t present_us) {
  governor::Law *law = new governor::Law();
  law->engage(present_us);
  return law;
}
void governor_free(void *law) { delete static_cast<governor::Law *>(law); }
void governor_rejoin(void *law) { static_cast<governor::Law *>(law)->rejoin(); }
uint16_t governor_step(void *law, int32_t kp, int64_t push, uint16_t min_us, uint16_t max_us, int64_t rise,
                       int64_t fall, int falls_without_speed, uint16_t request_rpm, uint32_t period_ticks,
                       uint8_t pulses_per_rev) {
  const governor::Settings settings = {kp, push, min_us, max_us, rise, fall, falls_without_speed != 0};
  return static_cast<governor::Law *>(law)->step(settings, request_rpm, period_ticks, pulses_per_rev);
}
int64_t governor_output_q32(void *law) { return static_cast<governor::Law *>(law)->output_q32(); }
int64_t governor_integral_q32(void *law) { return static_cast<governor::Law *>(law)->integral_q32(); }

// --- states ---

uint8_t core_state_after(uint8_t state, uint8_t event) {
  return states::after(state, static_cast<states::Happening>(event));
}

// --- limit table ---

void *limits_new() { return new limits::Table(); }
void limits_free(void *table) { delete static_cast<limits::Table *>(table); }
int limits_set(void *table, uint8_t slot, uint32_t value) {
  return static_cast<limits::Table *>(table)->set(slot, value);
}
uint32_t limits_value(void *table, uint8_t slot) { return (*static_cast<limits::Table *>(table))[slot]; }
uint32_t limits_checksum(void *table) { return static_cast<limits::Table *>(table)->checksum(); }
uint8_t limits_missing(void *table) { return static_cast<limits::Table *>(table)->missing_for_arming(); }

// --- tach marks ---

void *marks_new(uint8_t per_turn) {
  tach::Marks *marks = new tach::Marks();
  marks->set(per_turn);
  return marks;
}
void marks_free(void *marks) { delete static_cast<tach::Marks *>(marks); }
void marks_forget(void *marks) { static_cast<tach::Marks *>(marks)->forget(); }
int marks_feed(void *marks, uint32_t ticks) { return static_cast<tach::Marks *>(marks)->feed(ticks); }
uint32_t marks_turn_ticks(void *marks) { return static_cast<tach::Marks *>(marks)->turn_ticks(); }
uint16_t marks_missed(void *marks) { return static_cast<tach::Marks *>(marks)->missed; }
uint16_t marks_extra(void *marks) { return static_cast<tach::Marks *>(marks)->extra; }

// --- rule on tach periods ---

void *tach_rule_new(uint8_t limit) {
  trips::TachRule *rule = new trips::TachRule();
  rule->set(limit);
  return rule;
}
void tach_rule_free(void *rule) { delete static_cast<trips::TachRule *>(rule); }
int tach_rule_feed(void *rule, uint32_t period_ticks) {
  return static_cast<trips::TachRule *>(rule)->feed(period_ticks);
}
int tach_rule_doubted(void *rule) { return static_cast<trips::TachRule *>(rule)->doubted(); }

// --- sample clock ---

void *sample_clock_new(uint32_t period_ns, uint32_t now_us) {
  sample_clock::SampleClock *times = new sample_clock::SampleClock();
  times->begin(period_ns, now_us);
  return times;
}
void sample_clock_free(void *times) { delete static_cast<sample_clock::SampleClock *>(times); }
void sample_clock_poll(void *times, uint8_t waiting, uint32_t now_us) {
  static_cast<sample_clock::SampleClock *>(times)->poll(waiting, now_us);
}
uint32_t sample_clock_next_us(void *times) { return static_cast<sample_clock::SampleClock *>(times)->next_us(); }
uint32_t sample_clock_skip(void *times, uint8_t waiting, uint32_t now_us) {
  return static_cast<sample_clock::SampleClock *>(times)->skip(waiting, now_us);
}
uint32_t sample_clock_period_ns(void *times) { return static_cast<sample_clock::SampleClock *>(times)->period_ns(); }

// --- the whole machine on a board of memory ---

void *machine_new(uint8_t board_id, uint8_t restart_cause, uint16_t vibration_rate_hz, uint8_t vibration_axes,
                  int unexpected, uint32_t now_us, uint16_t kept_us) {
  Stand *stand = new Stand();
  board = &stand->board;
  board->kept_us = kept_us;
  const bool simulated = board_id == wire::BOARD_SIMULATED_STAND;  // says the same as its twin
  const machine::Identity identity = {
      board_id, restart_cause, 500, vibration_rate_hz, vibration_axes,
      simulated ? wire::ACCELEROMETER_SIMULATED : wire::ACCELEROMETER_BITS_13, 3906,
      simulated ? wire::LOAD_CONVERTER_SIMULATED : wire::LOAD_CONVERTER_PULSED_GAIN, simulated ? uint32_t{0} : uint32_t{2147484}};
  stand->machine.begin(identity, unexpected != 0, now_us);
  return stand;
}
void machine_free(void *stand) { delete static_cast<Stand *>(stand); }

#define CALL(stand)                                 \
  Stand &own = *static_cast<Stand *>(stand);        \
  board = &own.board

void machine_receive(void *stand, const uint8_t *payload, uint8_t length, uint32_t now_us) {
  CALL(stand);
  own.machine.receive(payload, length, now_us);
}
// As the tach interrupt and then the loop do it.
void machine_edge(void *stand, uint32_t time_us, uint32_t period_ticks) {
  CALL(stand);
  if (own.machine.overspeed_trips(period_ticks)) {
    hooks::cut_power();
    own.machine.note_overspeed(period_ticks, time_us);
  }
  own.machine.saw_edge(time_us, period_ticks, period_ticks);
}
// The same where marks are several, or not every edge is one: `turn_ticks` of the latest whole turn.
void machine_mark(void *stand, uint32_t time_us, uint32_t period_ticks, uint32_t turn_ticks, int is_mark) {
  CALL(stand);
  if (is_mark != 0 && own.machine.overspeed_trips(turn_ticks)) {
    hooks::cut_power();
    own.machine.note_overspeed(turn_ticks, time_us);
  }
  own.machine.saw_edge(time_us, period_ticks, turn_ticks);
}
void machine_sample(void *stand, uint32_t index, const int16_t *counts, uint32_t now_us) {
  CALL(stand);
  own.machine.saw_sample(index, counts, now_us);
}
void machine_watch(void *stand, uint32_t now_us) {
  CALL(stand);
  own.machine.watch(now_us);
}
void machine_tick(void *stand, uint32_t now_us, uint16_t current, uint16_t voltage, uint16_t servo, int32_t load,
                  uint16_t supply_mv, uint8_t load_age_ms) {
  CALL(stand);
  const machine::Readings readings = {current, voltage, servo, load, supply_mv, load_age_ms};
  own.machine.tick(now_us, readings);
}
int machine_at_rest(void *stand) { return static_cast<Stand *>(stand)->machine.at_rest(); }
uint32_t machine_dropped(void *stand) { return static_cast<Stand *>(stand)->machine.sender().dropped; }
uint16_t machine_throttle_us(void *stand) { return static_cast<Stand *>(stand)->board.throttle_us; }
uint16_t machine_servo_us(void *stand) { return static_cast<Stand *>(stand)->board.servo_us; }
uint32_t machine_cuts(void *stand) { return static_cast<Stand *>(stand)->board.cuts; }
int machine_driving_mark(void *stand) { return static_cast<Stand *>(stand)->board.driving; }
// Whether the second cut is closed.
int machine_power(void *stand) { return static_cast<Stand *>(stand)->board.power; }
// Turns one bit of the limit table, as a disturbance would: it is found in memory as the values that are in force.
int machine_corrupt(void *stand, const uint32_t *values, uint32_t slots, uint32_t slot, uint32_t bit) {
  uint8_t *const from = reinterpret_cast<uint8_t *>(&static_cast<Stand *>(stand)->machine);
  void *const at = memmem(from, sizeof(machine::Machine), values, slots * sizeof *values);
  if (at == nullptr) {
    return 0;
  }
  static_cast<uint8_t *>(at)[slot * sizeof *values + bit / 8] ^= static_cast<uint8_t>(1u << (bit % 8));
  return 1;
}
void machine_set_room(void *stand, uint16_t room) { static_cast<Stand *>(stand)->board.room = room; }
// Bytes transmitted since the last call, at most `room`.
uint32_t machine_take(void *stand, uint8_t *out, uint32_t room) {
  std::vector<uint8_t> &sent = static_cast<Stand *>(stand)->board.sent;
  if (sent.size() > room) {
    return 0;
  }
  const uint32_t count = give(sent, out);
  sent.clear();
  return count;
}

// --- batches ---

void *batch_new() { return new messages::TachBatch(); }
void batch_free(void *batch) { delete static_cast<messages::TachBatch *>(batch); }
void batch_add(void *batch, void *stand, uint32_t time_us, int half, uint32_t now_us) {
  CALL(stand);
  static_cast<messages::TachBatch *>(batch)->add(own.machine.sender(), time_us, half != 0, now_us);
}
void batch_flush_when_due(void *batch, void *stand, uint32_t now_us) {
  CALL(stand);
  static_cast<messages::TachBatch *>(batch)->flush_when_due(own.machine.sender(), now_us);
}
void batch_skip(void *batch, void *stand, uint32_t edges) {
  CALL(stand);
  static_cast<messages::TachBatch *>(batch)->skip(own.machine.sender(), edges);
}
void *block_new() { return new messages::VibrationBlock(); }
void block_free(void *block) { delete static_cast<messages::VibrationBlock *>(block); }
void block_add(void *block, void *stand, uint32_t index, uint32_t time_us, uint32_t period_ns, const int16_t *counts) {
  CALL(stand);
  static_cast<messages::VibrationBlock *>(block)->add(own.machine.sender(), index, time_us, period_ns, counts);
  static_cast<messages::VibrationBlock *>(block)->send_if_full(own.machine.sender());
}

}  // extern "C"
