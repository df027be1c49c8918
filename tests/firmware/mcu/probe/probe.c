/* A program that obeys single letters, to prove that the simulated stand sees what it claims to see.
 *
 * Built by the tests for both chips; pins as in stand.c. It is not part of the sketch. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/delay.h>

#ifdef __AVR_ATmega2560__
#define RECEIVE_VECTOR USART0_RX_vect
#define TACH_CONTROL TCCR4B
#define TACH_CAPTURE ICR4
#define TACH_VECTOR TIMER4_CAPT_vect
#define TACH_MASK TIMSK4
#define TACH_ENABLE (1 << ICIE4)
#define OUTPUT_PORT PORTB
#define OUTPUT_DIRECTION DDRB
#define ESC_BIT 5
#define LOAD_PORT PORTA
#define LOAD_DIRECTION DDRA
#define LOAD_PIN PINA
#define LOAD_DATA 0
#define LOAD_CLOCK 1
#define SELECT_PORT PORTB
#define SELECT_DIRECTION DDRB
#define SELECT_BIT 0
#define SPI_LINES (1 << 1 | 1 << 2)
#else
#define RECEIVE_VECTOR USART_RX_vect
#define TACH_CONTROL TCCR1B
#define TACH_CAPTURE ICR1
#define TACH_VECTOR TIMER1_CAPT_vect
#define TACH_MASK TIMSK1
#define TACH_ENABLE (1 << ICIE1)
#define OUTPUT_PORT PORTB
#define OUTPUT_DIRECTION DDRB
#define ESC_BIT 1
#define LOAD_PORT PORTD
#define LOAD_DIRECTION DDRD
#define LOAD_PIN PIND
#define LOAD_DATA 4
#define LOAD_CLOCK 5
#define SELECT_PORT PORTD
#define SELECT_DIRECTION DDRD
#define SELECT_BIT 7
#define SPI_LINES (1 << 2 | 1 << 3 | 1 << 5)
#endif

static volatile uint16_t captures[2];
static volatile uint8_t from_line[16];
static volatile uint8_t line_count;
static uint8_t restart_cause;

ISR(TACH_VECTOR)
{
	captures[0] = captures[1];
	captures[1] = TACH_CAPTURE;
}

ISR(RECEIVE_VECTOR)
{
	uint8_t value = UDR0;
	if (line_count < sizeof from_line)
		from_line[line_count++] = value;
}

static void send(uint8_t value)
{
	while (!(UCSR0A & (1 << UDRE0)))
		;
	UDR0 = value;
}

static void send_16(uint16_t value)
{
	send(value);
	send(value >> 8);
}

static uint8_t exchange(uint8_t value)
{
	SPDR = value;
	while (!(SPSR & (1 << SPIF)))
		;
	return SPDR;
}

static uint8_t register_of_part(uint8_t address)
{
	SELECT_PORT &= ~(1 << SELECT_BIT);
	exchange(0x80 | address);
	uint8_t value = exchange(0);
	SELECT_PORT |= 1 << SELECT_BIT;
	return value;
}

static void set_register(uint8_t address, uint8_t value)
{
	SELECT_PORT &= ~(1 << SELECT_BIT);
	exchange(address);
	exchange(value);
	SELECT_PORT |= 1 << SELECT_BIT;
}

static void send_sample(void)
{
	SELECT_PORT &= ~(1 << SELECT_BIT);
	exchange(0xc0 | 0x32);
	for (uint8_t byte = 0; byte < 6; byte++)
		send(exchange(0));
	SELECT_PORT |= 1 << SELECT_BIT;
}

static void send_load(void)
{
	while (LOAD_PIN & (1 << LOAD_DATA))
		;
	for (uint8_t byte = 0; byte < 3; byte++) {
		uint8_t value = 0;
		for (uint8_t bit = 0; bit < 8; bit++) {
			LOAD_PORT |= 1 << LOAD_CLOCK;
			_delay_us(1);
			value = value << 1 | ((LOAD_PIN >> LOAD_DATA) & 1);
			LOAD_PORT &= ~(1 << LOAD_CLOCK);
			_delay_us(1);
		}
		send(value);
	}
	LOAD_PORT |= 1 << LOAD_CLOCK;
	_delay_us(1);
	LOAD_PORT &= ~(1 << LOAD_CLOCK);
}

static uint16_t analogue(uint8_t channel)
{
	ADMUX = 1 << REFS0 | channel;
	ADCSRA |= 1 << ADSC;
	while (ADCSRA & (1 << ADSC))
		;
	return ADC;
}

static void pulse(uint8_t is_short)
{
	cli();
	OUTPUT_PORT |= 1 << ESC_BIT;
	if (is_short)
		_delay_us(30);
	else
		_delay_us(1500);
	OUTPUT_PORT &= ~(1 << ESC_BIT);
	sei();
}

static void obey(uint8_t letter)
{
	switch (letter) {
	case '0': case '1': case '2': send_16(analogue(letter - '0')); break;
	case 'c': send(restart_cause); break;
	case 'd': cli(); _delay_us(200); sei(); break;             /* deaf: no interrupt for ten bytes */
	case 'i': send(register_of_part(0x00)); break;
	case 'l': send_load(); break;
	case 'm': set_register(0x2c, 0x0d); set_register(0x31, 0x0b); set_register(0x38, 0x80);
	          set_register(0x2d, 0x08); break;                 /* measure, 800/s, into the FIFO */
	case 'n': send(register_of_part(0x39)); break;
	case 'o': UDR0 = '1'; UDR0 = '2'; UDR0 = '3'; UDR0 = '4'; break; /* does not wait for the transmitter */
	case 'p': pulse(0); break;
	case 's': pulse(1); break;
	case 't': cli(); { uint16_t period = captures[1] - captures[0]; sei(); send_16(period); } break;
	case 'w': wdt_enable(WDTO_15MS); for (;;) ; break;
	case 'x': send_sample(); break;
	case 'z': LOAD_PORT |= 1 << LOAD_CLOCK; _delay_us(80); LOAD_PORT &= ~(1 << LOAD_CLOCK); break; /* too long */
	default: send('?');
	}
}

static void prepare(void)
{
	UCSR0A = 1 << U2X0;
	UBRR0 = 3; /* 500 kbaud at 16 MHz */
	UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
	TACH_CONTROL = 2 | 1 << 6; /* clock / 8, rising edge */
	TACH_MASK = TACH_ENABLE;
	ADCSRA = 1 << ADEN | 7;
	LOAD_DIRECTION |= 1 << LOAD_CLOCK;
	SELECT_PORT |= 1 << SELECT_BIT;
	SELECT_DIRECTION |= 1 << SELECT_BIT;
	OUTPUT_DIRECTION |= 1 << ESC_BIT | SPI_LINES;
	SPCR = 1 << SPE | 1 << MSTR | 1 << CPOL | 1 << CPHA;
}

int main(void)
{
	restart_cause = MCUSR;
	MCUSR = 0;
	wdt_disable();
	prepare();
	sei();
	for (;;) {
		if (!line_count)
			continue;
		cli();
		uint8_t letter = from_line[0];
		for (uint8_t place = 1; place < line_count; place++)
			from_line[place - 1] = from_line[place];
		line_count--;
		sei();
		obey(letter);
	}
}
