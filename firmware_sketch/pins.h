// Which timer and which pin does what, for the two boards. PROTOCOL.md has the same as a wiring table.
#pragma once

#include <avr/io.h>

#if F_CPU != 16000000UL
#error "Timers and baud rate are worked out for a 16 MHz board."
#endif

#if defined(__AVR_ATmega2560__)
#define BOARD_ID wire::BOARD_ATMEGA2560
// Clock and tach: Timer4, input capture ICP4 = D49.
#define CLOCK_TCCRA TCCR4A
#define CLOCK_TCCRB TCCR4B
#define CLOCK_TCNT TCNT4
#define CLOCK_ICR ICR4
#define CLOCK_TIFR TIFR4
#define CLOCK_TIMSK TIMSK4
#define CLOCK_OVF_vect TIMER4_OVF_vect
#define CLOCK_CAPT_vect TIMER4_CAPT_vect
#define TACH_PORT PORTL
#define TACH_DDR DDRL
#define TACH_BIT 0
// Speed controller OC1A = D11, pitch servo OC1B = D12.
#define THROTTLE_BIT 5
#define SERVO_BIT 6
// Second cut D10: high switches contactor or controller supply on; a pull-down holds it off.
#define SECOND_CUT_PORT PORTB
#define SECOND_CUT_DDR DDRB
#define SECOND_CUT_BIT 4
// Load-cell converter: DOUT D22, SCK D23.
#define LOAD_PORT PORTA
#define LOAD_DDR DDRA
#define LOAD_PIN PINA
#define LOAD_DOUT_BIT 0
#define LOAD_SCK_BIT 1
// Accelerometer: CS D53, SCK D52, MOSI D51, MISO D50.
#define ACCEL_PORT PORTB
#define ACCEL_DDR DDRB
#define ACCEL_CS_BIT 0
#define SPI_SCK_BIT 1
#define SPI_MOSI_BIT 2
#define SPI_SS_BIT 0
#define UART_RX_vect USART0_RX_vect
#define UART_UDRE_vect USART0_UDRE_vect

#elif defined(__AVR_ATmega328P__)
#define BOARD_ID wire::BOARD_ATMEGA328P
// Clock and tach: Timer1, shared with the pulses; input capture ICP1 = D8.
#define CLOCK_TCCRA TCCR1A
#define CLOCK_TCCRB TCCR1B
#define CLOCK_TCNT TCNT1
#define CLOCK_ICR ICR1
#define CLOCK_TIFR TIFR1
#define CLOCK_TIMSK TIMSK1
#define CLOCK_OVF_vect TIMER1_OVF_vect
#define CLOCK_CAPT_vect TIMER1_CAPT_vect
#define TACH_PORT PORTB
#define TACH_DDR DDRB
#define TACH_BIT 0
// Speed controller OC1A = D9, pitch servo OC1B = D10.
#define THROTTLE_BIT 1
#define SERVO_BIT 2
// Second cut D6: high switches contactor or controller supply on; a pull-down holds it off.
#define SECOND_CUT_PORT PORTD
#define SECOND_CUT_DDR DDRD
#define SECOND_CUT_BIT 6
// Load-cell converter: DOUT D4, SCK D5.
#define LOAD_PORT PORTD
#define LOAD_DDR DDRD
#define LOAD_PIN PIND
#define LOAD_DOUT_BIT 4
#define LOAD_SCK_BIT 5
// Accelerometer: CS D7, SCK D13, MOSI D11, MISO D12. SS is the servo's pin, an output, as SPI needs it.
#define ACCEL_PORT PORTD
#define ACCEL_DDR DDRD
#define ACCEL_CS_BIT 7
#define SPI_SCK_BIT 5
#define SPI_MOSI_BIT 3
#define SPI_SS_BIT 2
#define UART_RX_vect USART_RX_vect
#define UART_UDRE_vect USART_UDRE_vect

#else
#error "This sketch knows the ATmega2560 and the ATmega328P."
#endif

// Bits of the clock timer's registers are alike on Timer1 and Timer4.
#define CLOCK_RUN (_BV(CS11) | _BV(ICES1) | _BV(ICNC1))  // 16 MHz / 8, capture rising edges, four-sample noise filter

// Pulses leave by Timer1's compare outputs, both on port B.
#define PULSE_PORT PORTB
#define PULSE_DDR DDRB
