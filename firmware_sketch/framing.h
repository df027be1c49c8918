// Frames on the wire: payload + CRC-32 (ISO-HDLC, little-endian), stuffed with COBS, ended by one zero byte.
// Portable: no Arduino.h, exact-width types only; built for the board and, in the tests, for the computer.
#pragma once

#include <stdint.h>

namespace framing {

const uint8_t CRC_SIZE = 4;
const uint8_t SHORTEST_BODY = 2 + CRC_SIZE;  // type, sequence, CRC
const uint8_t COMMAND_ROOM = 32;             // longest body accepted from the host; the protocol needs 11

// CRC-32/ISO-HDLC of `size` bytes; `crc` continues an earlier call.
uint32_t crc32(const uint8_t *data, uint16_t size, uint32_t crc = 0);

// Bytes that encode() makes of a body of at most 253 bytes, the delimiter included; every frame here is shorter.
inline uint16_t encoded_size(uint16_t size) { return static_cast<uint16_t>(size + 2); }

// Stuffs `data` with COBS and hands each byte, then the zero delimiter, to `put(uint8_t)`.
// Looks ahead for the next zero instead of patching back, so that `put` may be a ring buffer.
template <typename Put>
void encode(const uint8_t *data, uint16_t size, Put &put) {
  uint16_t at = 0;
  for (;;) {
    uint8_t run = 0;
    while (run < 254 && at + run < size && data[at + run] != 0) {
      ++run;
    }
    put(static_cast<uint8_t>(run + 1));
    for (uint8_t i = 0; i < run; ++i) {
      put(data[at + i]);
    }
    at = static_cast<uint16_t>(at + run);
    if (at == size) {
      break;  // also behind a full run: it needs no closing code
    }
    if (run < 254) {
      ++at;  // the zero that the code stands for
    }
  }
  put(0);
}

// Turns bytes, cut anywhere, back into frames. Damage costs the frames that it touches; the next zero starts afresh.
class Receiver {
 public:
  Receiver();

  // Takes one byte; true when it ended an intact frame, whose payload is then readable until the next call.
  bool push(uint8_t byte);

  const uint8_t *payload() const { return body_; }
  uint8_t length() const { return static_cast<uint8_t>(length_ - CRC_SIZE); }

  uint16_t bad_frames;  // damaged stretches between delimiters; the one before the first delimiter counts, too

 private:
  bool finish();
  void store(uint8_t byte);
  void restart();

  uint8_t body_[COMMAND_ROOM];
  uint8_t length_;
  uint8_t run_left_;    // bytes until the next code
  bool zero_pending_;   // the finished run stood for a zero, unless the frame ends here
  bool broken_;         // too long: swallow until the delimiter
  bool empty_;          // nothing since the last delimiter
};

}  // namespace framing
