#include "board.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "hooks.h"
#include "pins.h"
#include "wire_messages.h"

extern uint8_t __heap_start;  // first byte behind the static variables; nothing here allocates

// --- restart -----------------------------------------------------------------------------------------------------

namespace {

const uint32_t DRIVING_MARK = 0x5AFEC0DEUL;
uint8_t cause __attribute__((section(".noinit")));
uint32_t driving_mark __attribute__((section(".noinit")));  // survives every restart that keeps the memory

}  // namespace

// Before static variables are set up: after a watchdog restart the watchdog still runs, at its shortest time.
void save_restart_cause() __attribute__((naked, used, section(".init3")));
void save_restart_cause() {
  cause = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

namespace hooks {

void note_driving(bool driving) { driving_mark = driving ? DRIVING_MARK : 0; }

// The safe pulse and its complement, so that a write which a power failure cut short is not believed.
namespace {
uint16_t *const SAFE_PULSE_AT = reinterpret_cast<uint16_t *>(2);  // not 0: a failing supply may write there
}

uint16_t recall_safe_pulse() {
  const uint16_t us = eeprom_read_word(SAFE_PULSE_AT);
  const uint16_t complement = eeprom_read_word(SAFE_PULSE_AT + 1);
  const bool intact = static_cast<uint16_t>(~us) == complement;
  return intact && us <= wire::SAFE_PULSE_CAP_US ? us : 0;
}

void keep_safe_pulse(uint16_t us) {
  eeprom_update_word(SAFE_PULSE_AT + 1, static_cast<uint16_t>(~us));
  eeprom_update_word(SAFE_PULSE_AT, us);
}

uint8_t hold_interrupts() {
  const uint8_t before = SREG;
  cli();
  return before;
}

void release_interrupts(uint8_t before) { SREG = before; }

}  // namespace hooks

namespace board {

uint8_t restart_cause() { return cause & 0x0F; }

bool restarted_unexpectedly() {
  if (cause & (wire::RESTART_BROWN_OUT | wire::RESTART_WATCHDOG)) {
    return !(cause & wire::RESTART_POWER_ON);  // a rising supply trips the brown-out detector, too
  }
  return driving_mark == DRIVING_MARK && !(cause & wire::RESTART_POWER_ON);
}

void watchdog_fed() { wdt_reset(); }

// --- clock -------------------------------------------------------------------------------------------------------

volatile uint32_t clock_overflows;

namespace {

void start_clock() {
  CLOCK_TCCRA = 0;
  CLOCK_TCCRB = CLOCK_RUN;
  TACH_DDR &= static_cast<uint8_t>(~_BV(TACH_BIT));
  TACH_PORT |= _BV(TACH_BIT);  // pull-up, for a pick-up with an open collector
  CLOCK_TIFR = _BV(TOV1) | _BV(ICF1);
  CLOCK_TIMSK |= _BV(TOIE1) | _BV(ICIE1);
}

}  // namespace

Moment now() {
  const uint8_t before = hooks::hold_interrupts();
  const uint16_t count = CLOCK_TCNT;
  uint32_t overflows = clock_overflows;
  if ((CLOCK_TIFR & _BV(TOV1)) && count < 0x8000) {
    ++overflows;  // it ran over and the interrupt has not come yet
  }
  hooks::release_interrupts(before);
  return Moment{(overflows << 16) | count, ((overflows >> 16) & 1) != 0};
}

}  // namespace board

ISR(CLOCK_OVF_vect) { ++board::clock_overflows; }

// --- serial port -------------------------------------------------------------------------------------------------

namespace {

const uint8_t RECEIVE_ROOM = 128;  // a power of two
volatile uint8_t received[RECEIVE_ROOM];
volatile uint8_t receive_head, receive_tail;
volatile uint16_t overruns;

volatile uint8_t outgoing[256];
volatile uint8_t transmit_head, transmit_tail;  // wrap by themselves

void start_serial() {
  UCSR0A = _BV(U2X0);
  UBRR0 = 3;  // 16 MHz / 8 / (3 + 1) = 500 kbaud exactly
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);  // 8N1
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

}  // namespace

ISR(UART_RX_vect) {
  const uint8_t status = UCSR0A;
  const uint8_t byte = UDR0;
  const uint8_t next = static_cast<uint8_t>((receive_head + 1) & (RECEIVE_ROOM - 1));
  if ((status & _BV(DOR0)) || next == receive_tail) {
    ++overruns;
  }
  if (next != receive_tail) {
    received[receive_head] = byte;
    receive_head = next;
  }
}

ISR(UART_UDRE_vect) {
  const uint8_t at = transmit_tail;
  if (at == transmit_head) {
    UCSR0B &= static_cast<uint8_t>(~_BV(UDRIE0));
    return;
  }
  UDR0 = outgoing[at];
  transmit_tail = static_cast<uint8_t>(at + 1);
}

namespace hooks {

uint16_t transmit_room() { return static_cast<uint8_t>(transmit_tail - transmit_head - 1); }

void transmit(uint8_t byte) {
  const uint8_t at = transmit_head;
  outgoing[at] = byte;
  transmit_head = static_cast<uint8_t>(at + 1);
}

void start_transmitting() {
  const uint8_t before = hold_interrupts();
  UCSR0B |= _BV(UDRIE0);
  release_interrupts(before);
}

}  // namespace hooks

namespace board {

bool read_byte(uint8_t &byte) {
  const uint8_t at = receive_tail;
  if (at == receive_head) {
    return false;
  }
  byte = received[at];
  receive_tail = static_cast<uint8_t>((at + 1) & (RECEIVE_ROOM - 1));
  return true;
}

uint16_t receive_overruns() {
  const uint8_t before = hooks::hold_interrupts();
  const uint16_t count = overruns;
  hooks::release_interrupts(before);
  return count;
}

// --- free memory -------------------------------------------------------------------------------------------------

namespace {

const uint8_t PAINT = 0xC5;
const uint8_t BYTES_AT_ONCE = 16;
const uint8_t *looking_at;
uint16_t unused_bytes;

void paint_stack() {
  for (uint8_t *at = &__heap_start; at < reinterpret_cast<uint8_t *>(SP) - 16; ++at) {
    *at = PAINT;
  }
  looking_at = &__heap_start;
}

}  // namespace

void look_at_stack() {
  for (uint8_t i = 0; i < BYTES_AT_ONCE; ++i) {
    if (looking_at >= reinterpret_cast<uint8_t *>(SP) || *looking_at != PAINT) {
      unused_bytes = static_cast<uint16_t>(looking_at - &__heap_start);
      looking_at = &__heap_start;
      return;
    }
    ++looking_at;
  }
}

uint16_t free_ram() { return unused_bytes; }

void begin() {
  paint_stack();
  TIMSK0 = 0;  // the Arduino core's millisecond interrupt is not needed and would only delay the tach
  start_clock();
  start_serial();
  wdt_enable(WDTO_120MS);
}

}  // namespace board
