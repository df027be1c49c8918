// A hostile host, a hostile line and a hostile stand around the sketch's portable core, millions of frames long.
//
//     hostile FRAMES SEED
//
// Frames are made and answers read by hand from PROTOCOL.md: nothing of the sketch's own packing is used. After every
// byte, edge, sample and tick the rules at `World::check` must hold; the first that does not ends the program with
// status 1 and a line that says which, when and after what. Built under the address and undefined-behaviour
// sanitizers. The last line is a JSON object of what was done, so that a test can see that every state was reached.
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <new>
#include <vector>

#define private public  // the rules below look at what the machine holds, not at what it says of itself
#include "machine.h"
#undef private
#include "framing.h"
#include "hooks.h"
#include "slots.h"  // generated from link.limit_table and link.messages: SLOTS, names of slots, results, states

namespace {

struct Board {
  uint16_t safe_us, throttle_us, servo_us, kept_us;
  bool is_cut, closed, driving, kept_under_power;
  std::vector<uint8_t> sent;
};

Board board;

}  // namespace

namespace hooks {
uint16_t transmit_room() { return 4096; }
void transmit(uint8_t byte) { board.sent.push_back(byte); }
void start_transmitting() {}
void set_safe_pulse(uint16_t us) {
  board.safe_us = us;
  if (board.is_cut || board.throttle_us == 0) {
    board.throttle_us = us;
  }
}
void set_throttle(uint16_t us) { board.throttle_us = board.is_cut || !board.closed ? board.safe_us : us; }
void set_servo(uint16_t us) { board.servo_us = us; }
void cut_power() {
  board.is_cut = true;
  board.closed = false;
  board.throttle_us = board.safe_us;
}
void set_rates(uint16_t, uint16_t) {}
void end_cut() { board.is_cut = false; }
uint8_t hold_interrupts() { return 0; }
void release_interrupts(uint8_t) {}
void second_cut(bool closed) { board.closed = closed && !board.is_cut; }
uint16_t recall_safe_pulse() { return board.kept_us; }
void keep_safe_pulse(uint16_t us) {
  board.kept_us = us;
  board.kept_under_power = board.kept_under_power || board.closed || board.is_cut;
}
void note_driving(bool driving) { board.driving = driving; }
}  // namespace hooks

namespace {

struct Random {
  uint64_t state;
  uint32_t next() {
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return static_cast<uint32_t>((state * 0x2545F4914F6CDD1DULL) >> 32);
  }
  uint32_t below(uint32_t bound) { return next() % bound; }
  bool one_in(uint32_t times) { return below(times) == 0; }
};

// Type bytes of PROTOCOL.md section 7, and the whole payload's length.
enum { IDENTIFY = 0x80, HEARTBEAT, SET_LIMIT, READ_LIMITS, ARM, DISARM, THROTTLE, PITCH, REQUEST, SET_GOVERNOR, ABORT, RESET };
const uint8_t FIRST_COMMAND = IDENTIFY, COMMANDS = 12;
const uint8_t LENGTHS[COMMANDS] = {3, 4, 7, 2, 6, 2, 4, 4, 4, 7, 3, 2};
const uint8_t ACK = 0x14;
enum { DONE, UNKNOWN_COMMAND, BAD_VALUE, WRONG_STATE };
enum { LOCKED, ARMED, TURNING, TRIPPED, STATES };
const uint32_t EDGES[] = {0, 1, 2, 99, 100, 799, 800, 900, 1000, 1001, 1199, 1200, 1201, 1500, 1800, 1900, 2200, 2201,
                          2400, 2401, 12000, 32767, 32768, 65535, 65536, 20000000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF};

typedef std::vector<uint8_t> Bytes;

uint32_t crc_of(const Bytes &data) {  // bit by bit, as the standard's formula has it
  uint32_t crc = 0xFFFFFFFF;
  for (uint8_t byte : data) {
    crc ^= byte;
    for (int i = 0; i < 8; ++i) {
      crc = crc >> 1 ^ (crc & 1 ? 0xEDB88320 : 0);
    }
  }
  return ~crc;
}

Bytes framed(const Bytes &payload) {
  Bytes body = payload, out;
  const uint32_t crc = crc_of(payload);
  for (int i = 0; i < 4; ++i) {
    body.push_back(static_cast<uint8_t>(crc >> 8 * i));
  }
  size_t code = 0;
  out.push_back(1);
  for (uint8_t byte : body) {
    if (byte == 0) {
      code = out.size();
      out.push_back(1);
    } else {
      out.push_back(byte);
      ++out[code];
    }
  }
  out.push_back(0);
  return out;
}

struct Counts {
  uint64_t frames, intact, damaged, accepted_damaged, bytes, in_state[STATES], entered[STATES], done[COMMANDS], refused[COMMANDS];
  uint64_t restarts, edges, samples, turns, trips;
};

class World {
 public:
  World(uint64_t seed) : counts(), now_us_(0), sample_(0), sequence_(0), disarming_(false), polite_(true) {
    random_.state = seed * 0x9E3779B97F4A7C15ULL | 1;
    for (int i = 0; i < 8; ++i) {
      random_.next();
    }
    start(false);
  }

  void play(uint64_t frames) {
    while (counts.frames < frames) {
      if (counts.frames % 256 == 0) {
        polite_ = !random_.one_in(3);
        bring_to_turning();
      }
      hostile_frame();
      let_time_pass();
    }
  }

  Counts counts;

 private:
  // --- the rules ---

  void fail(const char *what) {
    printf("%s: after \"%s\", frame %llu, state %d, was %d, reason %d, pulse %u, safe %u, cut %d, second cut %d\n", what,
           doing_, static_cast<unsigned long long>(counts.frames), machine_->state(), was_, machine_->latch.reason,
           board.throttle_us, slot(LIMIT_THROTTLE_SAFE_US), board.is_cut, board.closed);
    exit(1);
  }
  void require(bool holds, const char *what) {
    if (!holds) {
      fail(what);
    }
  }

  // After everything that was done to the machine. `command`: type of the intact command that was, 0 for none;
  // `result`: its answer, -1 for none.
  void check(uint8_t command = 0, int result = -1) {
    const uint8_t state = machine_->state(), reason = machine_->latch.reason;
    require(state < STATES, "no such state");
    const bool is_driving = state == ARMED || state == TURNING, was_driving = was_ == ARMED || was_ == TURNING;
    if (state != was_) {
      ++counts.entered[state];
      const bool obeyed = result == DONE;
      if (state == TRIPPED) {
        require(reason != 0, "tripped without a reason");
        ++counts.trips;
      } else if (was_ == TRIPPED) {
        require(state == LOCKED && command == RESET && obeyed, "tripped was left by something else than a reset");
      } else if (was_ == LOCKED) {
        require(state == ARMED && command == ARM && obeyed, "locked was left by something else than arming");
      } else if (state == LOCKED) {
        require(was_driving && (command == DISARM || disarming_), "locked although nobody disarmed");
      }
    } else if (state == TRIPPED) {
      require(reason == reason_ || reason_ == 0, "the first reason was not kept");
    }
    const uint32_t safe_us = slot(LIMIT_THROTTLE_SAFE_US);
    require(safe_us <= SAFE_CAP_US, "a safe pulse above the build's cap");
    if (is_driving && reason == 0) {
      require(board.throttle_us <= slot(LIMIT_THROTTLE_MAX_US), "pulse above the greatest permitted one");
      require(board.throttle_us >= safe_us, "pulse below the safe one");
      require(board.servo_us == 0 || (board.servo_us >= slot(LIMIT_SERVO_MIN_US) && board.servo_us <= slot(LIMIT_SERVO_MAX_US)),
              "servo pulse outside its range");
    } else {
      require(board.throttle_us <= safe_us, "pulse above the safe one outside armed and turning");
      require(!board.closed || is_driving, "second cut closed outside armed and turning");
    }
    require(!(reason != 0 && board.closed), "second cut closed after a trip");
    require(!board.kept_under_power, "stopped for 15 ms, to keep a safe pulse, while armed, turning or tripped");
    disarming_ = is_driving && (disarming_ || (command == DISARM && result == DONE));
    was_ = state;
    reason_ = reason;
    board.sent.clear();
  }

  uint32_t slot(uint8_t number) const { return machine_->limits_[number]; }

  static bool admitted(uint8_t number, uint32_t value) {
    return number < SLOTS && ((value >= SLOT_ROWS[number].lowest && value <= SLOT_ROWS[number].highest) ||
                              (SLOT_ROWS[number].zero && value == 0));
  }

  // What an intact command may be answered, from what was so before it.
  void judge(const Bytes &payload, int result, const uint32_t *before, uint8_t state, uint16_t out_safe_us) {
    const uint8_t type = payload[0];
    if (type < FIRST_COMMAND || type >= FIRST_COMMAND + COMMANDS) {
      require(result == UNKNOWN_COMMAND, "an unknown type was not refused as such");
      return;
    }
    if (payload.size() != LENGTHS[type - FIRST_COMMAND]) {
      require(result == BAD_VALUE, "a wrong length was not refused");
      return;
    }
    if (type == HEARTBEAT) {
      return;
    }
    if (type == IDENTIFY) {
      require(payload[2] == VERSION || result > WRONG_STATE, "another version was not refused");
      return;
    }
    require(result >= 0, "a command stayed without an answer");
    ++(result == DONE ? counts.done : counts.refused)[type - FIRST_COMMAND];
    const bool driving = state == ARMED || state == TURNING;
    const uint32_t small = payload.size() >= 4 ? payload[2] | payload[3] << 8 : 0;
    const uint32_t wide = payload.size() == 7 ? payload[3] | payload[4] << 8 | payload[5] << 16 | static_cast<uint32_t>(payload[6]) << 24 : 0;
    const bool changed = memcmp(before, values_, sizeof values_) != 0;
    require(!changed || (type == SET_LIMIT && result == DONE), "a limit changed without a SetLimit that was done");
    switch (type) {
      case SET_LIMIT:
        require((result == DONE) == (state == LOCKED && admitted(payload[2], wide)), "SetLimit outside its range, or not in locked");
        break;
      case ARM:
        require(result != DONE || state == LOCKED, "armed from another state than locked");
        require(result != DONE || (before[LIMIT_OVERSPEED_TICKS] != 0 && before[LIMIT_HEARTBEAT_MS] != 0), "armed without overspeed or heartbeat");
        break;
      case THROTTLE:
        // the one in the table, and the one that goes out: a longer one does not while locked
        require(result != DONE || small == before[LIMIT_THROTTLE_SAFE_US] || small == out_safe_us ||
                    (driving && small >= before[LIMIT_THROTTLE_SAFE_US] && small <= before[LIMIT_THROTTLE_MAX_US]),
                "a throttle outside its range, or in locked or tripped");
        require(result == DONE || small != before[LIMIT_THROTTLE_SAFE_US], "the safe pulse was refused");
        break;
      case PITCH:
        require(result != DONE || (driving && small >= before[LIMIT_SERVO_MIN_US] && small <= before[LIMIT_SERVO_MAX_US]),
                "a pitch outside its range, or in locked or tripped");
        break;
      case REQUEST:
        require(result != DONE || small == 0 || driving, "a request in locked or tripped");
        require(result != DONE || static_cast<uint64_t>(small) * before[LIMIT_PULSES_PER_REV] * before[LIMIT_OVERSPEED_TICKS] <= 120000000ULL,
                "a request above the overspeed limit");
        break;
      case ABORT:
        require(result == DONE, "an abort was refused");
        require(machine_->state() == TRIPPED, "an abort left another state than tripped");
        break;
      case RESET:
        require(result != DONE || state == TRIPPED, "a reset outside tripped was done");
        break;
    }
  }

  // --- what is done to the machine ---

  void start(bool unexpected) {
    doing_ = "start";
    const uint16_t kept_us = board.kept_us;
    board = Board();
    board.kept_us = kept_us;
    machine_ = new (room_) machine::Machine();
    const machine::Identity identity = IDENTITY;
    machine_->begin(identity, unexpected, now_us_);
    was_ = machine_->state();
    reason_ = machine_->latch.reason;
    disarming_ = false;
    require(was_ == (unexpected ? TRIPPED : LOCKED), "wrong state after a start");
    require(board.throttle_us == 0 || board.throttle_us <= SAFE_CAP_US, "a pulse above safe from the start");
    check();
    ++counts.restarts;
  }

  void receive(const Bytes &payload) {
    ++counts.intact;
    ++counts.in_state[machine_->state()];
    uint32_t before[SLOTS];
    for (int i = 0; i < SLOTS; ++i) {
      before[i] = slot(i);
    }
    const uint16_t out_safe_us = board.safe_us;
    const uint8_t state = machine_->latch.reason != 0 ? static_cast<uint8_t>(TRIPPED) : machine_->state();
    machine_->receive(payload.data(), static_cast<uint8_t>(payload.size()), now_us_);
    for (int i = 0; i < SLOTS; ++i) {
      values_[i] = slot(i);
    }
    const int result = answer();
    judge(payload, result, before, state, out_safe_us);
    check(payload.size() == (payload[0] >= FIRST_COMMAND && payload[0] < FIRST_COMMAND + COMMANDS ? LENGTHS[payload[0] - FIRST_COMMAND] : 0)
              ? payload[0] : 0, result);
  }

  // Result of the last acknowledgement among the bytes sent, -1 for none.
  int answer() const {
    int result = -1;
    Bytes body;
    size_t at = 0;
    while (at < board.sent.size()) {
      body.clear();
      while (at < board.sent.size() && board.sent[at] != 0) {
        const uint8_t code = board.sent[at++];
        for (uint8_t i = 1; i < code && at < board.sent.size(); ++i) {
          body.push_back(board.sent[at++]);
        }
        if (code != 255 && at < board.sent.size() && board.sent[at] != 0) {
          body.push_back(0);
        }
      }
      ++at;
      if (body.size() == 13 && body[0] == ACK) {
        result = body[4];
      }
    }
    return result;
  }

  // Bytes as they come from the line; what the receiver takes for intact must be one of `permitted`.
  void feed(const Bytes &bytes, const Bytes &permitted) {
    for (uint8_t byte : bytes) {
      ++counts.bytes;
      if (receiver_.push(byte)) {
        const Bytes payload(receiver_.payload(), receiver_.payload() + receiver_.length());
        if (payload != permitted) {
          ++counts.accepted_damaged;
          fail("a damaged frame was accepted");
        }
        receive(payload);
      }
    }
  }

  Bytes command(uint8_t type) {
    const uint8_t length = LENGTHS[type - FIRST_COMMAND];
    Bytes payload(length);
    payload[0] = type;
    payload[1] = sequence_++;
    uint32_t value = random_.one_in(3) ? random_.next() : random_.one_in(2) ? random_.below(2500) : EDGES[random_.below(sizeof EDGES / sizeof *EDGES)];
    if (type == ARM && !random_.one_in(4)) {
      value = machine_->limits_.checksum();
    }
    if (type == IDENTIFY && random_.one_in(2)) {
      value = VERSION;
    }
    uint8_t at = 2;
    if (type == SET_LIMIT || type == SET_GOVERNOR) {
      const uint8_t number = static_cast<uint8_t>(random_.one_in(8) ? random_.below(256) : random_.below(type == SET_LIMIT ? SLOTS : 11));
      payload[at++] = number;
      if (type == SET_LIMIT && number < SLOTS && random_.one_in(2)) {
        const uint32_t ends[] = {SLOT_ROWS[number].lowest, SLOT_ROWS[number].highest, SLOT_ROWS[number].lowest - 1, SLOT_ROWS[number].highest + 1};
        value = ends[random_.below(4)];
      }
    }
    for (int i = 0; at < length; ++i) {
      payload[at++] = static_cast<uint8_t>(value >> 8 * i);
    }
    return payload;
  }

  void hostile_frame() {
    ++counts.frames;
    const uint32_t kind = random_.below(100);
    // a polite stretch holds back what would end it, so that what follows meets armed and turning too
    uint8_t type = static_cast<uint8_t>(FIRST_COMMAND + random_.below(COMMANDS));
    while (polite_ && (type == ABORT || type == DISARM) && !random_.one_in(20)) {
      type = static_cast<uint8_t>(FIRST_COMMAND + random_.below(COMMANDS));
    }
    Bytes payload = command(type);
    if (kind < 55) {
      doing_ = "command";
    } else if (kind < 70) {
      doing_ = "odd length or type";
      if (random_.one_in(2)) {
        payload[0] = static_cast<uint8_t>(random_.next());
      }
      payload.resize(2 + random_.below(27));
    } else if (kind < 95) {
      doing_ = "damaged frame";
      ++counts.damaged;
      feed(damaged(framed(payload)), payload);
      feed(Bytes(1, 0), payload);
      return;
    } else {
      doing_ = "noise";
      Bytes noise(random_.below(60));
      for (uint8_t &byte : noise) {
        byte = static_cast<uint8_t>(random_.one_in(4) ? random_.below(4) : random_.next());
      }
      feed(noise, Bytes());
      feed(Bytes(1, 0), Bytes());
      return;
    }
    feed(framed(payload), payload);
  }

  Bytes damaged(Bytes bytes) {
    for (uint32_t left = 1 + random_.below(4); left != 0 && !bytes.empty(); --left) {
      const size_t at = random_.below(static_cast<uint32_t>(bytes.size()));
      switch (random_.below(4)) {
        case 0: bytes[at] ^= static_cast<uint8_t>(1 << random_.below(8)); break;
        case 1: bytes[at] = static_cast<uint8_t>(random_.next()); break;
        case 2: bytes.erase(bytes.begin() + at); break;
        default: bytes.insert(bytes.begin() + at, static_cast<uint8_t>(random_.next())); break;
      }
    }
    return bytes;
  }

  void let_time_pass() {
    const uint32_t kind = random_.below(1000);
    if (kind == 0) {
      start(random_.one_in(2));
    } else if (kind < 5) {
      live(50 + random_.below(150));
    } else {
      live(random_.below(3));
    }
  }

  // Milliseconds of the loop, with a stand that is healthy in polite stretches and anything at all in the others.
  void live(uint32_t milliseconds) {
    for (; milliseconds != 0; --milliseconds) {
      now_us_ += 1000;
      if (polite_) {
        doing_ = "heartbeat";
        beat();
      }
      if (polite_ ? machine_->state() == TURNING && now_us_ / 1000 % 15 == 0 : random_.one_in(12)) {
        doing_ = "edge";
        edge(polite_ ? 30000 : EDGES[random_.below(sizeof EDGES / sizeof *EDGES)]);
      }
      doing_ = "samples";
      for (int i = polite_ || !random_.one_in(5) ? 2 : 0; i != 0; --i) {
        shake();
      }
      doing_ = "watch";
      ++counts.turns;
      machine_->watch(now_us_);
      check();
      if (now_us_ / 1000 % 2 == 0) {
        doing_ = "tick";
        tick();
      }
    }
  }

  void beat() {
    Bytes payload(4);
    payload[0] = HEARTBEAT;
    payload[1] = sequence_++;
    feed(framed(payload), payload);
  }

  void edge(uint32_t period_ticks) {  // as the interrupt and then the loop do it
    ++counts.edges;
    if (machine_->at_rest()) {
      period_ticks = 0;
    }
    if (machine_->overspeed_trips(period_ticks)) {
      hooks::cut_power();
      machine_->note_overspeed(period_ticks, now_us_);
    }
    check_interrupt();
    machine_->saw_edge(now_us_, period_ticks, period_ticks);
    check_interrupt();
  }

  // The interrupt may have tripped; the state follows in the loop, the power does not wait for it.
  void check_interrupt() {
    if (machine_->latch.reason != 0 && machine_->state() != TRIPPED) {
      require(board.throttle_us <= slot(LIMIT_THROTTLE_SAFE_US) && !board.closed, "the interrupt tripped and left the power on");
    } else {
      check();
    }
  }

  void shake() {
    ++counts.samples;
    int16_t axes[3];
    for (int16_t &axis : axes) {
      axis = static_cast<int16_t>(polite_ ? static_cast<int>(random_.below(41)) - 20 : random_.one_in(3) ? random_.next() : 0);
    }
    sample_ += polite_ || !random_.one_in(50) ? 1 : random_.below(1000);
    machine_->saw_sample(sample_, axes, now_us_);
    check();
  }

  void tick() {
    machine::Readings readings = machine::Readings();
    readings.current_counts = static_cast<uint16_t>(polite_ ? 540 + random_.below(9) : random_.below(1024));
    readings.voltage_counts = static_cast<uint16_t>(polite_ ? 800 + random_.below(5) : random_.below(1024));
    readings.servo_counts = static_cast<uint16_t>(polite_ ? 400 : random_.below(1024));
    readings.load_counts = static_cast<int32_t>(polite_ ? 84000 + random_.below(99) : random_.next());
    FURTHER_READINGS
    machine_->tick(now_us_, readings);
    check();
  }

  // The way of a host that means well: reset if need be, limits, rest, arm, throttle.
  void bring_to_turning() {
    const bool before = polite_;
    polite_ = true;
    doing_ = "bringing to turning";
    if (machine_->state() == ARMED || machine_->state() == TURNING) {
      send(DISARM, 0, 0);
    }
    live(REST_MS + 20);
    if (machine_->state() == TRIPPED) {
      send(THROTTLE, slot(LIMIT_THROTTLE_SAFE_US), 2);
      send(RESET, 0, 0);
    }
    live(REST_MS + 20);
    for (uint8_t i = 0; i < SLOTS; ++i) {
      set(i, SLOT_ROWS[i].sane);
    }
    send(THROTTLE, slot(LIMIT_THROTTLE_SAFE_US), 2);
    send(SET_GOVERNOR, 0, 0, random_.below(3));
    live(REST_MS + 20);
    send(ARM, machine_->limits_.checksum(), 4);
    live(3);
    send(THROTTLE, 1200 + random_.below(300), 2);
    live(20);
    polite_ = before;
  }

  void set(uint8_t number, uint32_t value) { send(SET_LIMIT, number, 1, value); }

  void send(uint8_t type, uint32_t value, uint8_t width, uint32_t further = 0) {
    Bytes payload(LENGTHS[type - FIRST_COMMAND]);
    payload[0] = type;
    payload[1] = sequence_++;
    size_t at = 2;
    for (uint8_t i = 0; at < payload.size() && (i < width || payload.size() == 7); ++i) {
      if (payload.size() == 7 && at > 2) {
        break;
      }
      payload[at++] = static_cast<uint8_t>(value >> 8 * i);
    }
    for (uint8_t i = 0; at < payload.size(); ++i) {
      payload[at++] = static_cast<uint8_t>(further >> 8 * i);
    }
    feed(framed(payload), payload);
  }

  Random random_;
  framing::Receiver receiver_;
  machine::Machine *machine_;
  alignas(machine::Machine) unsigned char room_[sizeof(machine::Machine)];
  uint32_t now_us_, sample_, values_[SLOTS];
  uint8_t sequence_, was_, reason_;
  bool disarming_, polite_;
  const char *doing_;
};

void print(const char *name, const uint64_t *values, int count) {
  printf(", \"%s\": [", name);
  for (int i = 0; i < count; ++i) {
    printf(i ? ", %llu" : "%llu", static_cast<unsigned long long>(values[i]));
  }
  printf("]");
}

}  // namespace

int main(int argc, char **argv) {
  if (argc != 3) {
    fprintf(stderr, "usage: hostile FRAMES SEED\n");
    return 2;
  }
  World *world = new World(strtoull(argv[2], nullptr, 10));
  world->play(strtoull(argv[1], nullptr, 10));
  const Counts &counts = world->counts;
  printf("{\"frames\": %llu, \"intact\": %llu, \"damaged\": %llu, \"accepted_damaged\": %llu, \"bytes\": %llu, \"restarts\": %llu, \"edges\": %llu, \"samples\": %llu, \"turns\": %llu, \"trips\": %llu",
         static_cast<unsigned long long>(counts.frames), static_cast<unsigned long long>(counts.intact),
         static_cast<unsigned long long>(counts.damaged), static_cast<unsigned long long>(counts.accepted_damaged),
         static_cast<unsigned long long>(counts.bytes), static_cast<unsigned long long>(counts.restarts),
         static_cast<unsigned long long>(counts.edges), static_cast<unsigned long long>(counts.samples),
         static_cast<unsigned long long>(counts.turns), static_cast<unsigned long long>(counts.trips));
  print("in_state", counts.in_state, STATES);
  print("entered", counts.entered, STATES);
  print("done", counts.done, COMMANDS);
  print("refused", counts.refused, COMMANDS);
  printf("}\n");
  delete world;
  return 0;
}
