#include "messages.h"

#include "hooks.h"

namespace messages {

namespace {

const uint32_t BATCH_WAIT_US = 20000;
const uint8_t SAMPLE_SIZE = 6;  // three axes of i16

struct ToBoard {
  void operator()(uint8_t byte) { hooks::transmit(byte); }
};

}  // namespace

bool Sender::send(uint8_t *payload, uint8_t length, Urgency urgency) {
  payload[1] = sequence_++;
  wire::put_u32(payload + length, framing::crc32(payload, length));
  const uint16_t body = static_cast<uint16_t>(length + framing::CRC_SIZE);
  const uint16_t needed = static_cast<uint16_t>(framing::encoded_size(body) + (urgency == TELEMETRY ? RESERVE : 0));
  if (hooks::transmit_room() < needed) {
    ++dropped;
    return false;
  }
  ToBoard to_board;
  framing::encode(payload, body, to_board);
  hooks::start_transmitting();
  return true;
}

void TachBatch::add(Sender &sender, uint32_t time_us, bool half_us, uint32_t now_us) {
  if (held_ == 0) {
    since_us_ = now_us;
  }
  edges_us_[held_] = time_us;
  half_us_ = static_cast<uint16_t>(half_us_ | (static_cast<uint16_t>(half_us) << held_));
  if (++held_ == wire::MOST_EDGES) {
    flush(sender);
  }
}

void TachBatch::flush_when_due(Sender &sender, uint32_t now_us) {
  if (held_ != 0 && now_us - since_us_ >= BATCH_WAIT_US) {
    flush(sender);
  }
}

void TachBatch::skip(Sender &sender, uint32_t edges) {
  if (held_ != 0) {
    flush(sender);
  }
  next_index_ += edges;
}

void TachBatch::flush(Sender &sender) {
  uint8_t payload[wire::Tach::SIZE + 4 * wire::MOST_EDGES + framing::CRC_SIZE];
  wire::Tach head;
  head.first_index = next_index_;
  head.half_us = half_us_;
  uint8_t length = pack(head, payload);
  for (uint8_t i = 0; i < held_; ++i) {
    wire::put_u32(payload + length, edges_us_[i]);
    length = static_cast<uint8_t>(length + 4);
  }
  sender.send(payload, length, TELEMETRY);
  next_index_ += held_;
  held_ = 0;
  half_us_ = 0;
}

void VibrationBlock::add(Sender &sender, uint32_t index, uint32_t time_us, uint32_t period_ns, const int16_t *counts) {
  if (held_ == wire::VIBRATION_BLOCK || (held_ != 0 && index != head_.first_index + held_)) {
    flush(sender);
  }
  if (held_ == 0) {
    head_.time_us = time_us;
    head_.period_ns = period_ns;
    head_.first_index = index;
    head_.axes = 3;
  }
  uint8_t *at = payload_ + wire::Vibration::SIZE + SAMPLE_SIZE * held_;
  for (uint8_t axis = 0; axis < 3; ++axis) {
    wire::put_i16(at + 2 * axis, counts[axis]);
  }
  ++held_;
}

bool VibrationBlock::send_if_full(Sender &sender) {
  if (held_ != wire::VIBRATION_BLOCK) {
    return false;
  }
  flush(sender);
  return true;
}

void VibrationBlock::flush(Sender &sender) {
  pack(head_, payload_);
  sender.send(payload_, static_cast<uint8_t>(wire::Vibration::SIZE + SAMPLE_SIZE * held_), TELEMETRY);
  held_ = 0;
}

}  // namespace messages
