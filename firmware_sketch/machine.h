// The device's state machine: commands in, answers, pulses and trips out. Portable: no Arduino.h.
//
// locked -> armed -> turning -> tripped, by the table in state_table.h. `watch` runs in every turn of the loop, `tick` every 2 ms. The overspeed rule
// is fed by the tach interrupt through `overspeed_trips`, so that it does not wait for the loop.
#pragma once

#include <stdint.h>

#include "elapsed.h"
#include "governor.h"
#include "hooks.h"
#include "limit_table.h"
#include "messages.h"
#include "state_table.h"
#include "trips.h"
#include "wire_messages.h"

namespace machine {

// An accelerometer that falls silent while its limit is in force counts as a broken limit. Its FIFO fills in 20 ms.
const uint32_t SAMPLE_SILENCE_US = 100000;
// A turn of the loop that takes longer delays every rule but overspeed; with everything active it takes 2 ms.
const uint32_t LONGEST_TURN_US = 20000;

// Who the device is, as Hello tells it.
struct Identity {
  uint8_t board;
  uint8_t restart_cause;
  uint16_t slow_rate_hz;
  uint16_t vibration_rate_hz;
  uint8_t vibration_axes;  // 0: no accelerometer answered
  uint8_t accelerometer;   // a wire::Accelerometer
  uint16_t accelerometer_ug_per_count;
  uint8_t load_converter;  // a wire::LoadConverter
  uint32_t load_counts_per_mv_v;
};

typedef trips::Readings Readings;

class Machine {
 public:
  // `unexpected`: watchdog, brown-out, or a restart while driving; starts tripped.
  void begin(const Identity &identity, bool unexpected, uint32_t now_us);

  // Payload of an intact frame from the host.
  void receive(const uint8_t *payload, uint8_t length, uint32_t now_us);

  // Every tach edge, in order, after overspeed_trips() has seen its turn: ticks since the edge before (0 for the first
  // after rest), and of the latest whole turn (0 while none is known).
  void saw_edge(uint32_t time_us, uint32_t period_ticks, uint32_t turn_ticks);

  // Every accelerometer sample, in order.
  void saw_sample(uint32_t index, const int16_t *counts, uint32_t now_us);

  void watch(uint32_t now_us);
  // A part of watch(), which may be called more often: a turn of the loop takes 2 ms and more.
  void watch_heartbeat(uint32_t now_us);
  void tick(uint32_t now_us, const Readings &readings);

  // The part that runs in the tach interrupt: true when this turn trips; the caller then cuts the power, and only
  // after that notes why.
  inline bool overspeed_trips(uint32_t turn_ticks) { return latch.guarding && overspeed_.feed(turn_ticks); }
  inline void note_overspeed(uint32_t turn_ticks, uint32_t time_us) {
    latch.offer(wire::REASON_OVERSPEED, static_cast<int32_t>(turn_ticks), time_us);
  }
  uint8_t marks_per_turn() const { return static_cast<uint8_t>(limits_[wire::LIMIT_PULSES_PER_REV]); }

  uint8_t state() const { return state_; }
  bool at_rest() const { return at_rest_; }
  messages::Sender &sender() { return sender_; }
  trips::Latch latch;

 private:
  struct Answer {
    uint8_t result;
    uint32_t detail;
  };
  static Answer done() { return Answer{wire::RESULT_DONE, 0}; }
  static Answer refuse(uint8_t result, uint32_t detail = 0) { return Answer{result, detail}; }
  Answer wrong_state() const { return refuse(wire::RESULT_WRONG_STATE, state_); }

  Answer obey(const uint8_t *payload, uint32_t now_us);
  Answer identify(const wire::Identify &command, uint8_t sequence);
  Answer set_limit(const wire::SetLimit &command);
  Answer read_limits(uint8_t sequence);
  void send_limits();
  bool has_room_for_limits() const;
  Answer arm(const wire::Arm &command, uint32_t now_us);
  Answer disarm(uint32_t now_us);
  Answer throttle(const wire::Throttle &command);
  Answer pitch(const wire::Pitch &command);
  Answer request(const wire::Request &command);
  Answer set_governor(const wire::SetGovernor &command);
  Answer abort(const wire::Abort &command, uint32_t now_us);
  Answer reset(uint32_t now_us);

  void acknowledge(uint8_t command, uint8_t sequence, const Answer &answer);
  void introduce(uint32_t now_us);
  void send_hello(uint32_t now_us);
  void send_channel_row();

  void trip(uint8_t reason, int32_t detail, uint32_t now_us);
  void notice_trip();
  void enter_tripped();
  void happen(states::Happening event, uint32_t now_us);
  bool refuses(states::Happening event) const { return states::after(state_, event) == states::REFUSED; }
  void announce(uint8_t kind, int32_t detail, uint32_t now_us);
  bool driving() const { return state_ == wire::STATE_ARMED || state_ == wire::STATE_TURNING; }
  uint8_t flags() const;
  bool throttle_is_safe() const { return throttle_command_us_ <= safe_us_; }

  void load_rules(uint32_t now_us);
  void settle_turning(uint32_t now_us);
  bool vibration_is_unwatched(uint32_t now_us) const;
  uint32_t silence_us(uint32_t now_us) const;
  void judge_slow(uint32_t now_us, const Readings &readings);
  void judge_turn(uint32_t now_us);
  bool limits_are_corrupt();
  void prove_cut(uint32_t now_us, const Readings &readings);
  void take_safe_pulse();
  void make_throttle_safe();
  void put_throttle(uint32_t pulse_q16);
  void put_servo(uint16_t pulse_us);
  void place_servo();
  void slew_throttle();
  void release_governor();
  bool load_governor();
  uint16_t greatest_request() const;
  void step_governor(uint32_t now_us);
  bool governs_throttle() const { return parameters_[wire::GOVERNOR_MODE] == wire::GOVERNOR_MODE_THROTTLE; }
  void send_slow(uint32_t now_us, const Readings &readings);

  Identity identity_;
  messages::Sender sender_;
  limits::Table limits_;
  trips::OverspeedRule overspeed_;
  trips::HeartbeatRule heartbeat_;
  trips::VibrationRule vibration_;
  trips::FrozenRule frozen_;
  trips::TachRule tach_;
  trips::LostTachRule lost_tach_;
  trips::SlowRules slow_;
  trips::CutProof cut_proof_;
  governor::Law law_;
  governor::Settings settings_;
  int32_t parameters_[wire::GOVERNOR_PARAMETERS];

  uint8_t state_;
  bool at_rest_;
  bool disarming_;  // disarm was commanded while turning: locked follows at rest
  bool governing_;
  bool sinking_;    // the governor lost its tach: the throttle falls to safe and stays there until an edge comes
  bool turn_is_judged_;
  bool limits_pending_;
  uint8_t limits_sequence_;
  uint8_t in_block_;  // place of the latest sample in its block
  bool greeting_;   // Hello is due
  bool identify_pending_;
  uint8_t identify_sequence_;
  uint8_t next_row_;

  uint32_t last_edge_us_;
  Elapsed silence_;            // since that edge; asked only while guarding, hence often
  uint32_t last_turn_us_;
  uint32_t last_sample_us_;
  uint32_t last_judged_us_;   // latest window of the vibration rule that was judged
  uint32_t judge_within_us_;  // longest time without one
  uint32_t period_ticks_;
  uint32_t throttle_q16_;  // pulse going out, us in Q16.16
  uint16_t throttle_command_us_;
  uint16_t safe_us_;  // pulse that stops the motor, as it goes out; 0: none was ever set. The table may hold a new one
  uint16_t servo_us_;
  uint16_t request_rpm_;
};

}  // namespace machine
