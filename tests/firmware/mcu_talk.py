"""A host for the simulated stand: the package's own ``Conversation``, heartbeats, everything heard, simulated time."""

from __future__ import annotations

from typing import TypeVar

from mcu import CLOCK_HZ
from mcu_stand import McuStand

from whirlbench.link.conversation import Conversation
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    Ack,
    Arm,
    DeviceEvent,
    EventKind,
    Heartbeat,
    Limits,
    Message,
    ReadLimits,
    Reason,
    Result,
    SetLimit,
    Slow,
    State,
)
from whirlbench.session.engine.device_limits import device_limits

TURN_S = 0.005  # of the host's decision loop
HEARTBEAT_S = 0.02
Kind = TypeVar("Kind", bound=Message)


class Talk:
    """Speaks with a sketch on ``stand`` as the session does, every ``turn_s``; ``beating`` switches the heartbeat."""

    def __init__(self, stand: McuStand, turn_s: float = TURN_S) -> None:
        self.stand = stand
        self.turn_s = turn_s
        self.conversation = Conversation()
        self.heard: list[Message] = []
        self.beating = True
        self.mid_frame = False  # whether the latest byte heard left a frame unfinished
        self._beats = 0
        self._next_beat_s = 0.0

    def run(self, for_s: float) -> list[Message]:
        """Lets simulated time pass; the messages heard meanwhile."""
        before = len(self.heard)
        end_s = self.stand.now_s + for_s
        while self.stand.mcu.cycle < round(end_s * CLOCK_HZ):
            self._turn(min(end_s, self.stand.now_s + self.turn_s))
        return self.heard[before:]

    def _turn(self, until_s: float) -> None:
        if self.beating and self.conversation.identified and self.stand.now_s >= self._next_beat_s:
            self.conversation.send(Heartbeat(self._beats & 0xFFFF))
            self._beats += 1
            self._next_beat_s = self.stand.now_s + HEARTBEAT_S
        self.stand.write(self.conversation.due(self.stand.now_s))
        self.stand.run(until_s)
        data = self.stand.read()
        self.mid_frame = data[-1:] != b"\0" if data else self.mid_frame
        self.heard += self.conversation.receive(data, self.stand.now_s)

    def ask(self, command: Message, patience_s: float = 1.0) -> Ack:
        """Sends ``command`` and returns its answer; AssertionError when there is none."""
        exchange = self.conversation.send(command)
        end_s = self.stand.now_s + patience_s
        while exchange.answer is None and self.stand.now_s < end_s:
            self.run(TURN_S)
        assert exchange.answer is not None, f"{command} stayed unanswered for {patience_s} s"
        return exchange.answer

    def command(self, command: Message) -> None:
        """Like ``ask`` for a command that has to succeed."""
        answer = self.ask(command)
        assert answer.result == Result.DONE, f"{command}: {Result(answer.result).name}, detail {answer.detail}"

    def identify(self) -> None:
        """Runs until the conversation knows the device."""
        for _ in range(200):
            if self.conversation.identified:
                return
            self.run(TURN_S)
        raise AssertionError("the device did not introduce itself within a second")

    def send_limits(self, changes: dict[LimitId, int] | None = None) -> int:
        """Sends the rig's limit table with ``changes`` and returns the checksum the device reports for it."""
        values = list(device_limits(self.stand.rig))
        for slot, value in (changes or {}).items():
            values[slot] = value
        answers = [self.conversation.send(SetLimit(slot, values[slot])) for slot in LimitId]
        while not self.conversation.idle:
            self.run(self.turn_s)
        assert all(answer.done for answer in answers), [answer.complaint() for answer in answers]
        self.command(ReadLimits())
        self.run(0.02)
        echo = self.conversation.limits
        assert isinstance(echo, Limits) and list(echo.values) == values
        return echo.crc

    def arm(self, changes: dict[LimitId, int] | None = None) -> None:
        """From power-on to armed."""
        self.identify()
        crc = self.send_limits(changes)
        rest_ms = (changes or {}).get(LimitId.REST_MS, self.stand.rig.tach.rest_ms)
        self.run(rest_ms / 1000 + 0.02)  # the device must have seen the rotor at rest for so long
        self.command(Arm(crc))
        self.run(0.02)
        assert self.state is State.ARMED

    def all_of(self, kind: type[Kind]) -> list[Kind]:
        """Everything heard of one kind."""
        return [message for message in self.heard if isinstance(message, kind)]

    def latest(self, kind: type[Kind]) -> Kind:
        """The last heard of one kind."""
        return next(message for message in reversed(self.heard) if isinstance(message, kind))

    @property
    def state(self) -> State:
        """State in the latest slow message."""
        return State(self.latest(Slow).state)

    @property
    def trips(self) -> list[tuple[Reason, int]]:
        """Reason and detail of every trip event heard."""
        events = [event for event in self.all_of(DeviceEvent) if event.kind == EventKind.TRIP]
        return [(Reason(event.reason), event.detail) for event in events]
