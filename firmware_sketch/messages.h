// The sending side: sequence numbers, and the two messages that are filled sample by sample. Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "framing.h"
#include "wire_messages.h"

namespace messages {

const uint8_t ROOM = wire::LONGEST_PAYLOAD + framing::CRC_SIZE;  // of a buffer handed to send()
const uint8_t RESERVE = 64;  // bytes of transmit buffer that telemetry leaves to answers and events

enum Urgency : uint8_t { TELEMETRY, ANSWER };

// Frames what it is given, or drops and counts it when the transmit buffer has no room: it never waits.
class Sender {
 public:
  Sender() : dropped(0), sequence_(0) {}

  // `payload` needs room for the CRC behind `length` bytes; type and fields are packed, the sequence is stamped here.
  // A dropped frame uses up its sequence number, so that the host counts it as lost.
  bool send(uint8_t *payload, uint8_t length, Urgency urgency);

  template <typename Message>
  bool send(const Message &message, Urgency urgency) {
    uint8_t payload[Message::SIZE + framing::CRC_SIZE];
    return send(payload, pack(message, payload), urgency);
  }

  uint32_t dropped;

 private:
  uint8_t sequence_;
};

// Collects tach edges; a full batch, or one that has waited for 20 ms, is sent.
class TachBatch {
 public:
  TachBatch() : next_index_(0), held_(0), half_us_(0) {}
  void add(Sender &sender, uint32_t time_us, bool half_us, uint32_t now_us);
  void flush_when_due(Sender &sender, uint32_t now_us);
  // Edges were lost after the latest one added: what is held is sent, the running number jumps.
  void skip(Sender &sender, uint32_t edges);

 private:
  void flush(Sender &sender);
  uint32_t edges_us_[wire::MOST_EDGES];
  uint32_t next_index_;
  uint32_t since_us_;
  uint8_t held_;
  uint16_t half_us_;
};

// Collects accelerometer samples of three axes. A jump of the running number sends a block early.
class VibrationBlock {
 public:
  VibrationBlock() : held_(0) {}
  void add(Sender &sender, uint32_t index, uint32_t time_us, uint32_t period_ns, const int16_t *counts);
  // Apart from add(), because it takes long: true when a full block was sent (or dropped).
  bool send_if_full(Sender &sender);

 private:
  void flush(Sender &sender);
  wire::Vibration head_;
  uint8_t payload_[ROOM];
  uint8_t held_;
};

}  // namespace messages
