"""Commands on their way to the device: what may leave now, what is repeated, what is given up. No I/O, no clock.

The rules, all of them consequences of a device with a small receive buffer (the sketch's has 128 bytes):

- At most 3 commands and 54 bytes are unanswered at a time; a command is repeated until it is acknowledged.
- A newer set-point replaces an older one of its kind, also one under way: an old throttle is never repeated after a
  newer one was sent.
- Arm, Disarm, Reset and ReadLimits travel alone: they take effect after all that was sent before, or not at all.
- Abort overtakes everything and drops every command that waits; it is repeated until acknowledged, without end.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from whirlbench.errors import LinkError
from whirlbench.link.framing import frame
from whirlbench.link.messages import (
    CODECS,
    Abort,
    Ack,
    Arm,
    Disarm,
    Heartbeat,
    Message,
    Pitch,
    ReadLimits,
    Request,
    Reset,
    Result,
    SetGovernor,
    SetLimit,
    State,
    Throttle,
)

IN_FLIGHT_BYTES = 54  # longer bursts overran the receive buffer of the reference boards when measured
IN_FLIGHT_COMMANDS = 3
RETRY_S = 0.06  # several times the answer's way through a full telemetry stream
ATTEMPTS = 10

ALONE = (Arm, Disarm, Reset, ReadLimits)
SET_POINTS = (Throttle, Pitch, Request, SetLimit, SetGovernor)
# what a command that was repeated finds already done, because only its answer was lost
AIMS: dict[type[Message], tuple[State, ...]] = {
    Arm: (State.ARMED, State.TURNING),
    Disarm: (State.LOCKED,),
    Reset: (State.LOCKED,),
}


@dataclass(eq=False)
class Exchange:
    """One command and what became of it; whoever sent it may watch it here."""

    command: Message
    answer: Ack | None = None
    dropped: bool = False  # replaced by a newer set-point, overtaken by an abort, given up, or lost in a restart
    attempts: int = 0
    sequences: list[int] = field(default_factory=list, repr=False)
    sent_at_s: float = float("-inf")

    @property
    def pending(self) -> bool:
        """Whether an answer is still awaited."""
        return self.answer is None and not self.dropped

    @property
    def done(self) -> bool:
        """Whether the device did it; also when a repetition found it done already."""
        if self.answer is None:
            return False
        aims = AIMS.get(type(self.command), ())
        found_done = self.attempts > 1 and self.answer.result == Result.WRONG_STATE and self.answer.detail in aims
        return self.answer.result == Result.DONE or found_done

    def complaint(self) -> str:
        """Why it was not done, in one line; empty while pending, when done or when dropped unanswered."""
        if self.answer is None or self.done:
            return ""
        name, result, detail = type(self.command).__name__, self.answer.result, self.answer.detail
        if result not in list(Result):
            return f"{name}: the device answered with an unknown result {result}"
        is_state = result == Result.WRONG_STATE and detail in list(State)
        told = f" (the device is {State(detail).name.lower()})" if is_state else ""
        return f"{name}: the device answered {Result(result).name.lower().replace('_', ' ')}{told}"

    def answers(self, ack: Ack) -> bool:
        """Whether ``ack`` is the answer to one of the transmissions of this command."""
        return ack.command == self.command.TYPE and ack.command_sequence in self.sequences


class Outbox:
    """The queue of commands and its rules; see the module's text."""

    def __init__(self, retry_s: float = RETRY_S, attempts: int = ATTEMPTS) -> None:
        """``retry_s``: wait for an answer before a repetition; ``attempts``: transmissions before giving up."""
        self._retry_s, self._attempts = retry_s, attempts
        self._sequence = 0
        self._waiting: deque[Exchange] = deque()
        self._in_flight: list[Exchange] = []  # holds dropped ones too, until their bytes have surely been read
        self._abort: Exchange | None = None
        self._heartbeat: Exchange | None = None

    @property
    def idle(self) -> bool:
        """Whether no command waits for its turn or for its answer."""
        return self._abort is None and not any(exchange.pending for exchange in self._every())

    def put(self, command: Message) -> Exchange:
        """Queues ``command``, dropping what it replaces."""
        exchange = Exchange(command)
        if isinstance(command, Abort):
            self.drop_all()
            self._abort = exchange
        elif isinstance(command, Heartbeat):
            self._heartbeat = exchange
        else:
            self._replace(command)
            self._waiting.append(exchange)
        return exchange

    def due_abort(self, now_s: float) -> bytes:
        """The abort, if one was commanded and is not yet acknowledged; may always be written."""
        if self._abort is None or now_s - self._abort.sent_at_s < self._retry_s:
            return b""
        return self.transmit(self._abort, now_s)

    def due(self, now_s: float) -> bytes:
        """Heartbeat, repetitions, then new commands as far as there is room.

        LinkError, once for each, when a command stayed unanswered; it is dropped and the rest goes on.
        """
        out = self._due_heartbeat(now_s)
        for exchange in list(self._in_flight):
            if now_s - exchange.sent_at_s >= self._retry_s:
                out += self._repeat(exchange, now_s, len(out))
        while self._waiting and self._has_room(self._waiting[0], len(out)):
            exchange = self._waiting.popleft()
            self._in_flight.append(exchange)
            out += self.transmit(exchange, now_s)
        return out

    def transmit(self, exchange: Exchange, now_s: float) -> bytes:
        """The frame of ``exchange`` under the next sequence number, noted in it."""
        exchange.sent_at_s = now_s
        exchange.attempts += 1
        exchange.sequences.append(self._sequence)
        del exchange.sequences[:-100]  # older numbers could soon stand for other commands
        sequence, self._sequence = self._sequence, (self._sequence + 1) & 0xFF
        return frame(exchange.command, sequence)

    def accept(self, ack: Ack) -> None:
        """Notes an answer; one that fits nothing under way (a second answer to a repetition) is ignored."""
        if self._abort is not None and self._abort.answers(ack):
            self._abort.answer = ack
            self._abort = None
        for exchange in self._in_flight:
            if exchange.answers(ack):
                exchange.answer = ack
                self._in_flight.remove(exchange)
                return

    def drop_all(self) -> None:
        """Gives up every command but the abort."""
        for exchange in self._every():
            exchange.dropped = True
        self._waiting.clear()

    def _every(self) -> list[Exchange]:
        return [*self._waiting, *self._in_flight]

    def _replace(self, command: Message) -> None:
        kind = _kind(command)
        for exchange in self._every():
            if kind is not None and _kind(exchange.command) == kind:
                exchange.dropped = True
        self._waiting = deque(exchange for exchange in self._waiting if not exchange.dropped)

    def _due_heartbeat(self, now_s: float) -> bytes:
        heartbeat, self._heartbeat = self._heartbeat, None
        return self.transmit(heartbeat, now_s) if heartbeat else b""

    def _repeat(self, exchange: Exchange, now_s: float, written: int) -> bytes:
        if exchange.dropped:
            self._in_flight.remove(exchange)
            return b""
        if exchange.attempts >= self._attempts:
            self._in_flight.remove(exchange)
            exchange.dropped = True
            name = type(exchange.command).__name__
            raise LinkError(f"{name} stayed unanswered after {exchange.attempts} attempts; check cable and device")
        if written + _size(exchange.command) > IN_FLIGHT_BYTES:
            return b""  # in the next turn
        return self.transmit(exchange, now_s)

    def _has_room(self, exchange: Exchange, written: int) -> bool:
        """Whether ``exchange`` may leave: bytes and commands unanswered, bytes of this turn, who travels alone."""
        under_way = [other for other in self._in_flight if isinstance(other.command, ALONE) and other.pending]
        if under_way or (isinstance(exchange.command, ALONE) and self._in_flight):
            return False
        unanswered = sum(_size(other.command) for other in self._in_flight)
        fits = max(unanswered, written) + _size(exchange.command) <= IN_FLIGHT_BYTES
        return fits and len(self._in_flight) < IN_FLIGHT_COMMANDS


def _kind(command: Message) -> tuple[int, int] | None:
    """What a newer command of the same kind replaces: set-points by type, table slots by type and slot."""
    if not isinstance(command, SET_POINTS):
        return None
    slot: int = getattr(command, "limit", getattr(command, "parameter", 0))
    return command.TYPE, slot


def _size(command: Message) -> int:
    """Bytes of the command's frame: payload, CRC, one byte of COBS overhead, delimiter."""
    return CODECS[command.TYPE].fixed.size + 6
