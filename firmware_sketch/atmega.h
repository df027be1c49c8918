// What the boards with an 8-bit ATmega at 16 MHz have in common; a board file names its pins and includes this once.
//
// Clock: a 16-bit timer that runs freely at 2 MHz, with the tach on its input capture. Pulses: Timer1 at 2 MHz, whose
// compare outputs make the edges in hardware; an interrupt only prepares the next one.
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/wdt.h>
#include <util/delay_basic.h>

#include "board_flash.h"
#include "build_choice.h"
#include "hooks.h"
#include "tach.h"
#include "wire_messages.h"

static_assert(F_CPU == 16000000UL, "Timers and baud rate are worked out for a board of 16 MHz.");

extern uint8_t __heap_start;  // first byte behind the static variables; nothing here allocates

// Bits of the clock timer's registers are alike on Timer1 and Timer4.
#define CLOCK_RUN (_BV(CS11) | _BV(ICES1) | _BV(ICNC1))  // 16 MHz / 8, capture rising edges, four-sample noise filter

// Pulses leave by Timer1's compare outputs, both on port B.
#define PULSE_PORT PORTB
#define PULSE_DDR DDRB

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

uint8_t hold_interrupts() {
  const uint8_t before = SREG;
  cli();
  return before;
}

void release_interrupts(uint8_t before) { SREG = before; }

void note_driving(bool driving) { driving_mark = driving ? DRIVING_MARK : 0; }

uint8_t restart_cause() { return cause & 0x0F; }

bool restarted_unexpectedly() {
  if (cause & (wire::RESTART_BROWN_OUT | wire::RESTART_WATCHDOG)) {
    return !(cause & wire::RESTART_POWER_ON);  // a rising supply trips the brown-out detector, too
  }
  return driving_mark == DRIVING_MARK && !(cause & wire::RESTART_POWER_ON);
}

void watchdog_fed() { wdt_reset(); }

// --- memory ------------------------------------------------------------------------------------------------------

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

// --- clock -------------------------------------------------------------------------------------------------------

namespace {

volatile uint32_t clock_overflows;  // of the 16-bit timer

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
  const uint8_t before = hold_interrupts();
  const uint16_t count = CLOCK_TCNT;
  uint32_t overflows = clock_overflows;
  if ((CLOCK_TIFR & _BV(TOV1)) && count < 0x8000) {
    ++overflows;  // it ran over and the interrupt has not come yet
  }
  release_interrupts(before);
  return Moment{(overflows << 16) | count, ((overflows >> 16) & 1) != 0};
}

void pause_us(uint8_t us) { _delay_loop_2(static_cast<uint16_t>(us * 4)); }  // four cycles each

}  // namespace hooks

ISR(CLOCK_OVF_vect) { ++hooks::clock_overflows; }

// --- pulses ------------------------------------------------------------------------------------------------------

namespace outputs {

const uint16_t SHORTEST_GAP_TICKS = 1000;  // between two pulses
const uint16_t SOON_TICKS = 40;            // a compare value this far ahead is surely met
const uint32_t TICKS_PER_S = 2000000UL;

struct Channel {
  volatile uint16_t pulse_ticks;
  volatile uint16_t frame_ticks;  // from rise to rise
  volatile uint16_t edge;         // when the latest edge came
  volatile uint8_t high;
};

Channel throttle, servo;
volatile uint16_t safe_ticks;  // 0: none was ever set, no pulse goes out
volatile uint8_t is_cut;
volatile uint8_t power_is_on;  // the second cut is closed: pulses above the safe one may leave

const uint8_t SET_A = _BV(COM1A1) | _BV(COM1A0);
const uint8_t CLEAR_A = _BV(COM1A1);
const uint8_t SET_B = _BV(COM1B1) | _BV(COM1B0);
const uint8_t CLEAR_B = _BV(COM1B1);

inline void connect_throttle(uint8_t mode) { TCCR1A = static_cast<uint8_t>((TCCR1A & ~SET_A) | mode); }
inline void connect_servo(uint8_t mode) { TCCR1A = static_cast<uint8_t>((TCCR1A & ~SET_B) | mode); }

// From the falling edge to the next rise.
inline uint16_t gap_after(uint16_t width, uint16_t frame) {
  return static_cast<uint16_t>(frame - width) > SHORTEST_GAP_TICKS && frame > width ? frame - width : SHORTEST_GAP_TICKS;
}

// After a match: prepares the next edge. The port bit follows the pin, so that pin and port never disagree.
inline void next_throttle_edge() {
  const uint16_t edge = OCR1A;
  if (throttle.high) {
    throttle.high = 0;
    connect_throttle(SET_A);
    PULSE_PORT &= static_cast<uint8_t>(~_BV(THROTTLE_BIT));
    OCR1A = edge + gap_after(edge - throttle.edge, throttle.frame_ticks);
  } else {
    throttle.high = 1;
    connect_throttle(CLEAR_A);
    PULSE_PORT |= _BV(THROTTLE_BIT);
    OCR1A = edge + throttle.pulse_ticks;
  }
  throttle.edge = edge;
}

inline void next_servo_edge() {
  const uint16_t edge = OCR1B;
  if (servo.high) {
    servo.high = 0;
    connect_servo(SET_B);
    PULSE_PORT &= static_cast<uint8_t>(~_BV(SERVO_BIT));
    OCR1B = edge + gap_after(edge - servo.edge, servo.frame_ticks);
  } else {
    servo.high = 1;
    connect_servo(CLEAR_B);
    PULSE_PORT |= _BV(SERVO_BIT);
    OCR1B = edge + servo.pulse_ticks;
  }
  servo.edge = edge;
}

// The pin goes low now, whatever the compare unit was about to do, and the next pulse follows after the shortest gap.
inline void force_throttle_low() {
  PULSE_PORT &= static_cast<uint8_t>(~_BV(THROTTLE_BIT));
  TCCR1C = _BV(FOC1A);  // clears the compare unit's own output, which was set to "clear on match"
  connect_throttle(0);
  const uint16_t now = TCNT1;
  throttle.high = 0;
  throttle.edge = now;
  OCR1A = now + SHORTEST_GAP_TICKS;
  TIFR1 = _BV(OCF1A);
  connect_throttle(SET_A);
}

// Interrupts are off. The pulse that is out ends at the safe width, or at once when it is past that; a pulse that is
// still to come is brought forward. So a whole safe pulse is out after at most gap + safe pulse, at every rate.
inline void cut_throttle() {
  SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
  power_is_on = 0;
  is_cut = 1;
  if (safe_ticks == 0) {
    return;  // no pulse was ever sent
  }
  throttle.pulse_ticks = safe_ticks;
  if (TIFR1 & _BV(OCF1A)) {  // an edge came and its interrupt still waits
    next_throttle_edge();
    TIFR1 = _BV(OCF1A);
  }
  const uint16_t since_edge = TCNT1 - throttle.edge;
  if (throttle.high) {
    if (since_edge + SOON_TICKS < safe_ticks) {
      OCR1A = throttle.edge + safe_ticks;
    } else {
      force_throttle_low();
    }
  } else {
    const uint16_t wait = since_edge + SOON_TICKS < SHORTEST_GAP_TICKS ? SHORTEST_GAP_TICKS : since_edge + SOON_TICKS;
    const uint16_t planned = OCR1A - throttle.edge;
    if (wait < planned) {
      OCR1A = throttle.edge + wait;
    }
  }
}

namespace {

void start_throttle() {
  throttle.high = 0;
  throttle.edge = TCNT1;
  OCR1A = throttle.edge + SHORTEST_GAP_TICKS;
  connect_throttle(SET_A);
  TIFR1 = _BV(OCF1A);
  TIMSK1 |= _BV(OCIE1A);
}

void start_servo() {
  servo.high = 0;
  servo.edge = TCNT1;
  OCR1B = servo.edge + SHORTEST_GAP_TICKS;
  connect_servo(SET_B);
  TIFR1 = _BV(OCF1B);
  TIMSK1 |= _BV(OCIE1B);
}

void begin() {
  const uint8_t before = hooks::hold_interrupts();
  PULSE_PORT &= static_cast<uint8_t>(~(_BV(THROTTLE_BIT) | _BV(SERVO_BIT)));
  PULSE_DDR |= _BV(THROTTLE_BIT) | _BV(SERVO_BIT);
  SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
  SECOND_CUT_DDR |= _BV(SECOND_CUT_BIT);
  TCCR1A = 0;
  TCCR1B = CLOCK_RUN;
  hooks::release_interrupts(before);
  hooks::set_rates(wire::THROTTLE_START_HZ, wire::SERVO_START_HZ);
  const uint16_t kept_us = hooks::recall_safe_pulse();
  if (kept_us != 0) {
    hooks::set_safe_pulse(kept_us);  // before anything else: the controller sees it from the first instant
  }
}

}  // namespace

}  // namespace outputs

ISR(TIMER1_COMPA_vect) { outputs::next_throttle_edge(); }
ISR(TIMER1_COMPB_vect) { outputs::next_servo_edge(); }

namespace hooks {

void set_safe_pulse(uint16_t us) {
  if (us == 0) {
    return;  // none is known: zero ticks would be the longest of all pulses
  }
  const uint8_t before = hold_interrupts();
  outputs::safe_ticks = (us > wire::SAFE_PULSE_CAP_US ? wire::SAFE_PULSE_CAP_US : us) * wire::TICKS_PER_US;
  if (!outputs::power_is_on) {
    outputs::throttle.pulse_ticks = outputs::safe_ticks;
  }
  if (!(TIMSK1 & _BV(OCIE1A))) {
    outputs::start_throttle();
  }
  release_interrupts(before);
}

void set_throttle(uint16_t us) {
  const uint8_t before = hold_interrupts();
  const bool free = outputs::power_is_on && !outputs::is_cut;
  outputs::throttle.pulse_ticks = free ? us * wire::TICKS_PER_US : outputs::safe_ticks;
  release_interrupts(before);
}

void set_servo(uint16_t us) {
  const uint8_t before = hold_interrupts();
  outputs::servo.pulse_ticks = us * wire::TICKS_PER_US;
  if (!(TIMSK1 & _BV(OCIE1B))) {
    outputs::start_servo();
  }
  release_interrupts(before);
}

// Divided before interrupts are held off: two divisions take longer than the receiver keeps two bytes.
void set_rates(uint16_t throttle_hz, uint16_t servo_hz) {
  const uint16_t throttle_ticks = throttle_hz == 0 ? 0 : static_cast<uint16_t>(outputs::TICKS_PER_S / throttle_hz);
  const uint16_t servo_ticks = servo_hz == 0 ? 0 : static_cast<uint16_t>(outputs::TICKS_PER_S / servo_hz);
  const uint8_t before = hold_interrupts();
  if (throttle_ticks != 0) {
    outputs::throttle.frame_ticks = throttle_ticks;
  }
  if (servo_ticks != 0) {
    outputs::servo.frame_ticks = servo_ticks;
  }
  release_interrupts(before);
}

void cut_power() { outputs::cut_throttle(); }

void end_cut() { outputs::is_cut = 0; }

void second_cut(bool closed) {
  const uint8_t before = hold_interrupts();
  if (closed && !outputs::is_cut) {
    SECOND_CUT_PORT |= _BV(SECOND_CUT_BIT);
    outputs::power_is_on = 1;
  } else {
    SECOND_CUT_PORT &= static_cast<uint8_t>(~_BV(SECOND_CUT_BIT));
    outputs::power_is_on = 0;
    outputs::throttle.pulse_ticks = outputs::safe_ticks;
  }
  release_interrupts(before);
}

}  // namespace hooks

// --- tach --------------------------------------------------------------------------------------------------------

// The quick half holds all interrupts off. The other half takes some 40 us, the time of two bytes on the line, which is
// all that the receiver can keep: meanwhile the other interrupts come, and only the next edge waits.
ISR(CLOCK_CAPT_vect) {
  const uint16_t captured = CLOCK_ICR;
  uint32_t overflows = hooks::clock_overflows;
  if ((CLOCK_TIFR & _BV(TOV1)) && captured < 0x8000) {
    ++overflows;
  }
  const uint32_t ticks = (overflows << 16) | captured;
  const int8_t judged = tach::judged_at_once(ticks);
  if (judged > 0) {
    outputs::cut_throttle();
  }
  CLOCK_TIMSK &= static_cast<uint8_t>(~_BV(ICIE1));
  sei();
  const bool trips = tach::taken(ticks, judged >= 0);
  cli();
  CLOCK_TIMSK |= _BV(ICIE1);
  if (trips) {
    outputs::cut_throttle();
  }
  if (trips || judged > 0) {
    tach::note_overspeed(hooks::Moment{ticks, ((overflows >> 16) & 1) != 0});
  }
}

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
  const uint8_t before = hold_interrupts();
  const uint16_t count = overruns;
  release_interrupts(before);
  return count;
}

}  // namespace hooks

// --- analogue channels -------------------------------------------------------------------------------------------

namespace {

// One round: the three pins, then the chip's reference twice, of which the first is not used: the reference needs up
// to 70 us to settle after it was chosen, a conversion takes 104 us.
const uint8_t ROUND[] = {0, 1, 2, REFERENCE_INPUT, REFERENCE_INPUT};
const uint8_t PINS = 3;
const uint8_t NOT_USED = PINS;
const uint8_t AGAINST_SUPPLY = _BV(REFS0);
const uint8_t MOST_CONVERSIONS = 8;  // in one mean: four come in the 2 ms between two, further ones are left out
// 2^15 by the number of conversions: a mean without a division, right to a fifteenth of a count.
const uint16_t SHARE[MOST_CONVERSIONS + 1] IN_FLASH = {0, 32768, 16384, 10923, 8192, 6554, 5461, 4681, 4096};

struct Sum {
  uint16_t counts;
  uint8_t conversions;
};
volatile Sum sums[PINS + 2];  // NOT_USED among them, so that the interrupt need not ask
volatile uint8_t converting;
uint16_t means[PINS + 2];     // of the last call, in sixteenths of a count

void start_analogue() {
  ADMUX = AGAINST_SUPPLY;
  ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0) | _BV(ADSC);  // 125 kHz: 9600 conversions/s
}

void take_mean(uint8_t place) {
  const uint8_t before = hooks::hold_interrupts();
  const uint16_t counts = sums[place].counts;
  const uint8_t conversions = sums[place].conversions;
  sums[place].counts = 0;
  sums[place].conversions = 0;
  hooks::release_interrupts(before);
  if (conversions != 0) {
    const uint32_t share = pgm_read_word(&SHARE[conversions]);
    means[place] = static_cast<uint16_t>((counts * share + 1024) >> 11);  // 15 bits, less 4
  }
}

uint16_t rounded(uint16_t sixteenths) { return static_cast<uint16_t>((sixteenths + 8) / 16); }

}  // namespace

ISR(ADC_vect) {
  const uint16_t counts = ADC;
  const uint8_t place = converting;
  const uint8_t next = place + 1 == sizeof ROUND ? 0 : place + 1;
  ADMUX = AGAINST_SUPPLY | ROUND[next];
  ADCSRA |= _BV(ADSC);
  converting = next;
  if (sums[place].conversions < MOST_CONVERSIONS) {
    sums[place].counts += counts;
    ++sums[place].conversions;
  }
}

namespace hooks {

Analogue analogue() {
  for (uint8_t place = 0; place < PINS + 2; ++place) {
    if (place != NOT_USED) {
      take_mean(place);
    }
  }
  return Analogue{rounded(means[0]), rounded(means[1]), rounded(means[2]), means[PINS + 1]};
}

// --- accelerometer and load-cell converter -----------------------------------------------------------------------

namespace {

void start_sensor_pins() {
  ACCEL_DDR |= _BV(ACCEL_SELECT_BIT);
  deselect_accelerometer();
  DDRB |= _BV(SPI_SS_BIT) | _BV(SPI_SCK_BIT) | _BV(SPI_MOSI_BIT);
  SPCR = _BV(SPE) | _BV(MSTR) | _BV(CPOL) | _BV(CPHA);  // 4 MHz, clock idles high
  LOAD_DDR |= _BV(LOAD_CLOCK_BIT);
  LOAD_PORT &= static_cast<uint8_t>(~_BV(LOAD_CLOCK_BIT));  // high for 60 us would switch the converter off
  LOAD_DDR &= static_cast<uint8_t>(~_BV(LOAD_DATA_BIT));
  LOAD_PORT |= _BV(LOAD_DATA_BIT);  // pull-up: without a converter it never says "ready"
}

}  // namespace

void select_accelerometer() { ACCEL_PORT &= static_cast<uint8_t>(~_BV(ACCEL_SELECT_BIT)); }
void deselect_accelerometer() { ACCEL_PORT |= _BV(ACCEL_SELECT_BIT); }

uint8_t exchange(uint8_t byte) {
  SPDR = byte;
  while (!(SPSR & _BV(SPIF))) {
  }
  return SPDR;
}

bool load_data() { return LOAD_PIN & _BV(LOAD_DATA_BIT); }

// Interrupts are held off, since a long one would stretch the clock.
bool clocked_load_bit() {
  const uint8_t before = hold_interrupts();
  LOAD_PORT |= _BV(LOAD_CLOCK_BIT);
  __builtin_avr_delay_cycles(4);
  const bool bit = LOAD_PIN & _BV(LOAD_DATA_BIT);
  LOAD_PORT &= static_cast<uint8_t>(~_BV(LOAD_CLOCK_BIT));
  release_interrupts(before);
  return bit;
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
  outputs::begin();  // on the ATmega328P clock and pulses share a timer
  start_analogue();
  start_sensor_pins();
  wdt_enable(WDTO_120MS);
}

}  // namespace hooks
