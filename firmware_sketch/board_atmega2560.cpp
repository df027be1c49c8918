// The board with an ATmega2560: what is wired where. README.md has the same as a drawing.
#if defined(__AVR_ATmega2560__)

#include <avr/io.h>

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
// Load-cell converter: data D22, clock D23.
#define LOAD_PORT PORTA
#define LOAD_DDR DDRA
#define LOAD_PIN PINA
#define LOAD_DATA_BIT 0
#define LOAD_CLOCK_BIT 1
// Accelerometer: select D53, clock D52, MOSI D51, MISO D50.
#define ACCEL_PORT PORTB
#define ACCEL_DDR DDRB
#define ACCEL_SELECT_BIT 0
#define SPI_SCK_BIT 1
#define SPI_MOSI_BIT 2
#define SPI_SS_BIT 0
// Serial port 0, to the USB converter.
#define UART_RX_vect USART0_RX_vect
#define UART_UDRE_vect USART0_UDRE_vect
// Input of the converter that is the chip's own reference.
#define REFERENCE_INPUT 0x1E

#include "atmega.h"

const uint8_t hooks::BOARD = wire::BOARD_ATMEGA2560;

#endif
