/* The serial line, byte by byte at its true speed, with the receiver depth of silicon.
 *
 * The simulator's own receiver is 64 bytes deep and counts 11 bits a byte; neither is so on the chip. */
#include "parts.h"

#define HOST_BAUD 500000u
#define HOST_CYCLES_PER_BYTE (10u * CLOCK_HZ / HOST_BAUD)

static void offer(stand_t *stand)
{
	avr_raise_interrupt(stand->avr, &stand->line.uart->rxc);
}

static uint8_t program_reads(avr_t *avr, avr_io_addr_t address, void *param)
{
	stand_t *stand = param;
	line_t *line = &stand->line;
	uint8_t value = 0;
	if (line->waiting_count) {
		value = line->waiting[0];
		line->waiting[0] = line->waiting[1];
		line->waiting[1] = line->waiting[2];
		line->waiting_count--;
		stand->counters.receive_taken++;
	}
	avr_clear_interrupt(avr, &line->uart->rxc);
	avr_regbit_clear(avr, line->uart->rxc.raised);
	avr_regbit_clear(avr, line->uart->dor);
	if (line->waiting_count)
		offer(stand);
	avr->data[address] = value;
	return value;
}

static void byte_complete(stand_t *stand, uint8_t value)
{
	line_t *line = &stand->line;
	if (!avr_regbit_get(stand->avr, line->uart->rxen))
		return;
	if (line->waiting_count == 3) {
		stand->counters.receive_lost++;
		avr_regbit_set(stand->avr, line->uart->dor);
		return;
	}
	line->waiting[line->waiting_count++] = value;
	if (line->waiting_count == 3)
		stand->counters.receive_full++;
	offer(stand);
}

static avr_cycle_count_t arrive(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	stand_t *stand = param;
	line_t *line = &stand->line;
	byte_complete(stand, line->to_chip[line->to_first]);
	line->to_first = (line->to_first + 1) % LINE_ROOM;
	line->last_arrived = when;
	line->byte_arrives = --line->to_count ? when + HOST_CYCLES_PER_BYTE : 0;
	return line->byte_arrives;
}

static void program_sends(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	stand_t *stand = param;
	line_t *line = &stand->line;
	uint64_t now = stand->avr->cycle;
	uint64_t byte_cycles = 10u * line->cycles_per_bit;
	if (line->uart->tx_cnt >= 2)
		stand->counters.transmit_overwritten++;
	line->shifted_out = (line->shifted_out > now ? line->shifted_out : now) + byte_cycles;
	if (line->from_count == LINE_ROOM)
		return; /* nobody reads: as with a cable that hangs in the air */
	uint32_t place = (line->from_first + line->from_count++) % LINE_ROOM;
	line->from_chip[place] = value;
	line->from_cycle[place] = line->shifted_out;
	stand->counters.transmitted++;
}

static void program_sets_baud(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	stand_t *stand = param;
	line_t *line = &stand->line;
	avr_uart_t *uart = line->uart;
	line->set_baud(avr, address, value, uart);
	uint32_t divisor = avr->data[uart->ubrrl.reg] | (avr->data[uart->ubrrh.reg] & 0x0f) << 8;
	line->cycles_per_bit = (divisor + 1) * (avr_regbit_get(avr, uart->u2x) ? 8 : 16);
	uart->cycles_per_byte = 10u * line->cycles_per_bit; /* 8 data bits, no parity, one stop bit */
}

void line_fit(stand_t *stand)
{
	avr_t *avr = stand->avr;
	line_t *line = &stand->line;
	line->uart = (avr_uart_t *)part_of_chip(avr, "uart", '0');
	line->uart->flags = 0; /* neither sleep while polled nor print to the terminal */
	line->cycles_per_bit = CLOCK_HZ / HOST_BAUD;
	avr_io_addr_t data = AVR_DATA_TO_IO(line->uart->r_udr);
	avr->io[data].r.c = program_reads;
	avr->io[data].r.param = stand;
	avr_io_addr_t baud = AVR_DATA_TO_IO(line->uart->ubrrl.reg);
	line->set_baud = avr->io[baud].w.c;
	avr->io[baud].w.c = program_sets_baud;
	avr->io[baud].w.param = stand;
	avr_irq_register_notify(line->uart->io.irq + UART_IRQ_OUTPUT, program_sends, stand);
}

void line_arm(stand_t *stand)
{
	line_t *line = &stand->line;
	line->waiting_count = 0;
	/* bytes that were still to leave the transmitter are lost with the reset */
	while (line->from_count && line->from_cycle[(line->from_first + line->from_count - 1) % LINE_ROOM] > stand->avr->cycle)
		line->from_count--;
	line->shifted_out = 0;
	if (line->to_count)
		timer_at(stand->avr, line->byte_arrives, arrive, stand);
}

int stand_send(stand_t *stand, const uint8_t *data, int count)
{
	line_t *line = &stand->line;
	int taken = 0;
	while (taken < count && line->to_count < LINE_ROOM) {
		line->to_chip[(line->to_first + line->to_count) % LINE_ROOM] = data[taken++];
		line->to_count++;
	}
	if (!line->byte_arrives && line->to_count) {
		line->byte_arrives = stand->avr->cycle + HOST_CYCLES_PER_BYTE;
		timer_at(stand->avr, line->byte_arrives, arrive, stand);
	}
	return taken;
}

int stand_unsent(const stand_t *stand)
{
	return stand->line.to_count;
}

uint64_t stand_last_sent(const stand_t *stand)
{
	return stand->line.last_arrived;
}

int stand_received(stand_t *stand, uint8_t *data, uint64_t *cycles, int room)
{
	line_t *line = &stand->line;
	int count = 0;
	while (count < room && line->from_count && line->from_cycle[line->from_first] <= stand->avr->cycle) {
		data[count] = line->from_chip[line->from_first];
		cycles[count++] = line->from_cycle[line->from_first];
		line->from_first = (line->from_first + 1) % LINE_ROOM;
		line->from_count--;
	}
	return count;
}

uint32_t stand_baud(const stand_t *stand)
{
	return CLOCK_HZ / stand->line.cycles_per_bit;
}
