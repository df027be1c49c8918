// The marks of the tach in the order in which they pass: whole turns, and edges that are missing or too many. Twin of
// bench/whirlbench/safety/tach_marks.py. Portable: no Arduino.h. Runs within the tach interrupt, so it is all inline
// and nothing in it divides.
#pragma once

#include <stdint.h>

namespace tach {

// Marks need not be evenly spaced: a speed is taken over a whole turn, and an interval is compared with that before
// the same mark one turn ago.
class Marks {
 public:
  static const uint8_t ROOM = 32;  // a power of two, above the most marks a turn plus two

  // Begins anew: nothing is known of the rotor. `per_turn` is 1 to 30.
  void set(uint8_t per_turn) {
    per_turn_ = per_turn;
    forget();
  }
  void forget() {
    known_ = 0;
    split_ = 0;
    plain_ = false;
  }

  // The quick half, for a cut that does not wait for feed(): whether this edge is beyond doubt a mark, and its turn is
  // known. feed() comes to the same.
  inline bool is_plain(uint32_t ticks) const {
    const uint32_t period = ticks - latest_;
    return plain_ && period >= shortest_ && period <= longest_;
  }
  inline uint32_t plain_turn(uint32_t ticks) const { return ticks - turn_began_; }

  // Takes an edge. True when it is believed to be a mark.
  inline bool feed(uint32_t ticks) {
    if (known_ > per_turn_) {
      const uint32_t period = ticks - latest_;
      if (split_ != 0 && completes(ticks)) {
        take_back();
      } else if (period < shortest_) {
        ++extra;
        return false;
      } else if (split_ != 0) {
        split_ = 0;
      } else if (period > longest_) {
        fill_gap(period);
      } else if (period < expected_ - (expected_ >> 3) && changed_ago_ > per_turn_) {
        split_ = expected_;
      }
    }
    put(ticks);
    prepare();
    return true;
  }

  // Ticks of the whole turn that ended with the latest mark; 0 while none is known.
  inline uint32_t turn_ticks() const { return known_ > per_turn_ ? back(1) - back(per_turn_ + 1) : 0; }

  uint16_t missed;  // edges that did not come, since start, modulo 2^16
  uint16_t extra;   // edges that were none, likewise

 private:
  // The edge that was taken back(count) marks ago, from 1.
  inline uint32_t back(uint8_t count) const { return edges_[(head_ - count) & (ROOM - 1)]; }

  inline void put(uint32_t ticks) {
    edges_[head_ & (ROOM - 1)] = ticks;
    ++head_;
    if (known_ <= per_turn_) {
      ++known_;
    }
    if (changed_ago_ != 0xFF) {
      ++changed_ago_;
    }
  }

  // What the next edge will be compared with.
  inline void prepare() {
    latest_ = back(1);
    if (known_ <= per_turn_) {
      return;
    }
    turn_began_ = back(per_turn_);
    expected_ = turn_began_ - back(per_turn_ + 1);
    following_ = per_turn_ == 1 ? expected_ : back(per_turn_ - 1) - turn_began_;
    shortest_ = expected_ >> 2;  // no rotor becomes four times as fast within a turn: a bounce, or noise
    longest_ = expected_ + shortest_ + (following_ >> 2);
    plain_ = split_ == 0;
  }

  // The edge before came too early. When it and this one make up the expected interval, it was one too many.
  inline bool completes(uint32_t ticks) const {
    const uint32_t both = ticks - back(2);
    const uint32_t slack = split_ >> 3;
    return both > split_ - slack && both < split_ + slack;
  }
  inline void take_back() {
    ++extra;
    --head_;
    known_ = per_turn_;  // put() makes it whole again: the edge a turn before is still there
    changed_ago_ = 0;
    split_ = 0;
  }

  // An interval of about two: the edge between them is put where it should have been. One that is neither, or a second
  // one within a turn, is not explained by one lost edge: what was known of several marks is forgotten.
  inline void fill_gap(uint32_t period) {
    const uint32_t slack = following_ >> 2;
    const uint32_t both = expected_ + following_;
    if (period > both - slack && period < both + slack && changed_ago_ > per_turn_) {
      put(latest_ + (per_turn_ == 1 ? period >> 1 : expected_));
      ++missed;
      changed_ago_ = 0;
    } else if (per_turn_ != 1) {  // a single mark's interval is a whole turn, however long
      forget();
    }
  }

  uint32_t edges_[ROOM];
  uint32_t latest_, turn_began_;   // marks: the latest, and the one where the turn began that the next one ends
  uint32_t expected_, following_;  // intervals one turn ago: before the next mark, and before the one after it
  uint32_t shortest_, longest_;    // what passes for the next interval without a second thought
  uint32_t split_;                 // interval that the latest edge cut short; 0: it did not
  uint8_t head_, known_, per_turn_, changed_ago_;
  bool plain_;
};

}  // namespace tach
