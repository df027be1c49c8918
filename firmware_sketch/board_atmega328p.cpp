// The board with an ATmega328P: what is wired where. README.md has the same as a drawing.
#if defined(__AVR_ATmega328P__)

#include <avr/io.h>

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
// Load-cell converter: data D4, clock D5.
#define LOAD_PORT PORTD
#define LOAD_DDR DDRD
#define LOAD_PIN PIND
#define LOAD_DATA_BIT 4
#define LOAD_CLOCK_BIT 5
// Accelerometer: select D7, clock D13, MOSI D11, MISO D12. SS is the servo's pin, an output, as SPI needs it.
#define ACCEL_PORT PORTD
#define ACCEL_DDR DDRD
#define ACCEL_SELECT_BIT 7
#define SPI_SCK_BIT 5
#define SPI_MOSI_BIT 3
#define SPI_SS_BIT 2
// The only serial port, to the USB converter.
#define UART_RX_vect USART_RX_vect
#define UART_UDRE_vect USART_UDRE_vect
// Input of the converter that is the chip's own reference.
#define REFERENCE_INPUT 0x0E

#include "atmega.h"

const uint8_t hooks::BOARD = wire::BOARD_ATMEGA328P;

#endif
