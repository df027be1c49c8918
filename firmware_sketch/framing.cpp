#include "framing.h"

#include "board_flash.h"

namespace framing {

namespace {

// Table of CRC-32/ISO-HDLC, reflected polynomial 0xEDB88320, made by the compiler: entry i is i after eight shifts.
constexpr uint32_t shifted(uint32_t value, uint8_t times) {
  return times == 0 ? value : shifted((value & 1) ? (value >> 1) ^ 0xEDB88320UL : value >> 1, times - 1);
}
#define ENTRY(i) shifted(i, 8)
#define ENTRIES_4(i) ENTRY(i), ENTRY(i + 1), ENTRY(i + 2), ENTRY(i + 3)
#define ENTRIES_16(i) ENTRIES_4(i), ENTRIES_4(i + 4), ENTRIES_4(i + 8), ENTRIES_4(i + 12)
#define ENTRIES_64(i) ENTRIES_16(i), ENTRIES_16(i + 16), ENTRIES_16(i + 32), ENTRIES_16(i + 48)
const uint32_t CRC_TABLE[256] IN_FLASH = {ENTRIES_64(0), ENTRIES_64(64), ENTRIES_64(128), ENTRIES_64(192)};

}  // namespace

uint32_t crc32(const uint8_t *data, uint16_t size, uint32_t crc) {
  crc = ~crc;
  for (uint16_t i = 0; i < size; ++i) {
    const uint8_t index = static_cast<uint8_t>(crc) ^ data[i];
    crc = flash::word_at(&CRC_TABLE[index]) ^ (crc >> 8);
  }
  return ~crc;
}

Receiver::Receiver() : bad_frames(0) { restart(); }

void Receiver::restart() {
  length_ = 0;
  run_left_ = 0;
  zero_pending_ = false;
  broken_ = false;
  empty_ = true;
}

bool Receiver::push(uint8_t byte) {
  if (byte == 0) {
    return finish();
  }
  if (empty_) {  // first byte of a frame; what the last one left is no longer needed
    restart();
    empty_ = false;
  }
  if (run_left_ == 0) {
    if (zero_pending_) {
      store(0);
    }
    run_left_ = static_cast<uint8_t>(byte - 1);
    zero_pending_ = byte != 0xFF;
  } else {
    store(byte);
    --run_left_;
  }
  return false;
}

void Receiver::store(uint8_t byte) {
  if (length_ == COMMAND_ROOM) {
    broken_ = true;
  } else {
    body_[length_++] = byte;
  }
}

bool Receiver::finish() {
  if (empty_) {
    return false;  // zeros between frames mean nothing
  }
  empty_ = true;
  bool good = !broken_ && run_left_ == 0 && length_ >= SHORTEST_BODY;
  if (good) {
    const uint8_t *told = body_ + length();
    const uint32_t expected = crc32(body_, length());
    for (uint8_t i = 0; i < CRC_SIZE; ++i) {
      good = good && told[i] == static_cast<uint8_t>(expected >> (8 * i));
    }
  }
  if (!good && bad_frames < 0xFFFF) {
    ++bad_frames;
  }
  return good;
}

}  // namespace framing
