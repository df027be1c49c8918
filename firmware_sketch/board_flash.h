// Tables in program memory, which the ATmega reads with instructions of its own. Every other part takes them as they
// are: what a new board needs here is nothing.
#pragma once

#include <stdint.h>
#include <string.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#else
#define IN_FLASH
#endif

namespace flash {

#if defined(__AVR__)
inline uint8_t byte_at(const uint8_t *at) { return pgm_read_byte(at); }
inline uint32_t word_at(const uint32_t *at) { return pgm_read_dword(at); }
inline void copy(void *to, const void *from, uint8_t size) { memcpy_P(to, from, size); }
#else
inline uint8_t byte_at(const uint8_t *at) { return *at; }
inline uint32_t word_at(const uint32_t *at) { return *at; }
inline void copy(void *to, const void *from, uint8_t size) { memcpy(to, from, size); }
#endif

}  // namespace flash
