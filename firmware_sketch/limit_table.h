// The limit table and its checksum. Twin of bench/whirlbench/link/limit_table.py. Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "wire_messages.h"

namespace limits {

class Table {
 public:
  Table();
  // False when the slot is unknown or does not admit the value; the table is unchanged then.
  bool set(uint8_t slot, uint32_t value);
  uint32_t operator[](uint8_t slot) const { return values_[slot]; }
  uint16_t small(uint8_t slot) const { return static_cast<uint16_t>(values_[slot]); }
  uint32_t checksum() const { return checksum_; }
  // Every 2 ms: looks at one slot more; false when all of them no longer give the checksum.
  bool recheck();
  // Whether they do, all at once.
  bool intact() const { return sum() == checksum_; }
  // First slot that keeps the table from being armed with; LIMIT_SLOTS when it is complete.
  uint8_t missing_for_arming() const;
  // Writes the Limits message; `at` needs room for Limits::SIZE and all values.
  uint8_t pack(uint8_t *at) const;

 private:
  void refresh();
  uint32_t add(uint8_t slot, uint32_t sum) const;
  uint32_t sum() const;
  uint32_t values_[wire::LIMIT_SLOTS];
  uint32_t checksum_;
  uint32_t rechecked_;  // sum over the slots below next_slot_
  uint8_t next_slot_;
};

}  // namespace limits
