#include "limit_table.h"

#include "board_flash.h"
#include "framing.h"

namespace limits {

namespace {

wire::LimitRange range_of(uint8_t slot) {
  wire::LimitRange range;
  flash::copy(&range, &wire::LIMIT_RANGES[slot], sizeof range);
  return range;
}

}  // namespace

Table::Table() {
  for (uint8_t slot = 0; slot < wire::LIMIT_SLOTS; ++slot) {
    values_[slot] = range_of(slot).start;
  }
  refresh();
}

bool Table::set(uint8_t slot, uint32_t value) {
  if (slot >= wire::LIMIT_SLOTS) {
    return false;
  }
  const wire::LimitRange range = range_of(slot);
  const bool inside = value >= range.lowest && value <= range.highest;
  if (!inside && !(range.zero && value == 0)) {
    return false;
  }
  values_[slot] = value;
  refresh();
  return true;
}

uint32_t Table::add(uint8_t slot, uint32_t sum) const {
  uint8_t bytes[4];
  wire::put_u32(bytes, values_[slot]);
  return framing::crc32(bytes, sizeof bytes, sum);
}

uint32_t Table::sum() const {
  uint32_t sum = 0;
  for (uint8_t slot = 0; slot < wire::LIMIT_SLOTS; ++slot) {
    sum = add(slot, sum);
  }
  return sum;
}

void Table::refresh() {
  checksum_ = sum();
  rechecked_ = 0;
  next_slot_ = 0;
}

bool Table::recheck() {
  rechecked_ = add(next_slot_, rechecked_);
  if (++next_slot_ < wire::LIMIT_SLOTS) {
    return true;
  }
  const bool intact = rechecked_ == checksum_;
  rechecked_ = 0;
  next_slot_ = 0;
  return intact;
}

uint8_t Table::missing_for_arming() const {
  if (values_[wire::LIMIT_OVERSPEED_TICKS] == 0) {
    return wire::LIMIT_OVERSPEED_TICKS;
  }
  if (values_[wire::LIMIT_HEARTBEAT_MS] == 0) {
    return wire::LIMIT_HEARTBEAT_MS;
  }
  if (values_[wire::LIMIT_THROTTLE_SAFE_US] == 0) {
    return wire::LIMIT_THROTTLE_SAFE_US;
  }
  if (values_[wire::LIMIT_THROTTLE_MAX_US] < values_[wire::LIMIT_THROTTLE_SAFE_US]) {
    return wire::LIMIT_THROTTLE_MAX_US;
  }
  if (values_[wire::LIMIT_SERVO_MAX_US] < values_[wire::LIMIT_SERVO_MIN_US]) {
    return wire::LIMIT_SERVO_MAX_US;
  }
  const uint32_t safe_us = values_[wire::LIMIT_SERVO_SAFE_US];
  if (safe_us != 0 && (safe_us < values_[wire::LIMIT_SERVO_MIN_US] || safe_us > values_[wire::LIMIT_SERVO_MAX_US])) {
    return wire::LIMIT_SERVO_SAFE_US;
  }
  return wire::LIMIT_SLOTS;
}

uint8_t Table::pack(uint8_t *at) const {
  wire::Limits head;
  head.crc = checksum_;
  uint8_t length = wire::pack(head, at);
  for (uint8_t slot = 0; slot < wire::LIMIT_SLOTS; ++slot) {
    wire::put_u32(at + length, values_[slot]);
    length = static_cast<uint8_t>(length + 4);
  }
  return length;
}

}  // namespace limits
