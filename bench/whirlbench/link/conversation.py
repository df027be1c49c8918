"""The host's half of the protocol: who the device is, which version it speaks, whether it is still the same one.

No I/O and no clock: feed it what the port gave with ``receive`` and write what ``due`` returns, in every turn of the
decision loop; both take the host's monotonic time. How commands queue, repeat and replace one another is in ``outbox``.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum, auto
from typing import Any

from whirlbench.errors import LinkError
from whirlbench.link.device_clock import US_PER_S, signed_difference_us
from whirlbench.link.framing import FrameCounters, Unframer
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
    Ack,
    ChannelInfo,
    Hello,
    Identify,
    Limits,
    Message,
    Result,
    Slow,
)
from whirlbench.link.outbox import ATTEMPTS, RETRY_S, Exchange, Outbox

KNOCK_S = 0.25  # between two Identify
PATIENCE_S = 6.0  # an Arduino boot loader alone listens for about two seconds after the port is opened
HELLO_TOLERANCE_S = 1.0  # a Hello whose time differs more from the telemetry's is from another life of the device


class Phase(Enum):
    """Where the conversation stands."""

    KNOCKING = auto()  # only Identify and Abort leave
    TALKING = auto()
    REFUSED = auto()  # another protocol version: nothing leaves any more
    UNHEARD = auto()  # nobody answered in time: nothing leaves any more


class Happening(Enum):
    """What moves it on."""

    IDENTIFIED = auto()
    RESTARTED = auto()
    OTHER_VERSION = auto()
    OUT_OF_PATIENCE = auto()


TRANSITIONS: dict[tuple[Phase, Happening], Phase] = {
    (Phase.KNOCKING, Happening.IDENTIFIED): Phase.TALKING,
    (Phase.KNOCKING, Happening.OTHER_VERSION): Phase.REFUSED,
    (Phase.KNOCKING, Happening.OUT_OF_PATIENCE): Phase.UNHEARD,
    (Phase.TALKING, Happening.RESTARTED): Phase.KNOCKING,
    (Phase.TALKING, Happening.OTHER_VERSION): Phase.REFUSED,
}
ENDED = (Phase.REFUSED, Phase.UNHEARD)


class Restarted(Message, frozen=True, gc=False):
    """Never on the wire: tells the caller of ``receive`` that the device restarted in mid-conversation.

    ``hello`` is what it said of itself, None when that was lost and only its clock told. All limits are gone, all
    waiting commands were dropped, and the conversation identifies the device again by itself.
    """

    hello: Hello | None


class Conversation:
    """One device, from the first knock on."""

    def __init__(self, patience_s: float = PATIENCE_S, retry_s: float = RETRY_S, attempts: int = ATTEMPTS) -> None:
        """``patience_s``: longest wait for identification; ``retry_s``, ``attempts``: of an unanswered command."""
        self.phase = Phase.KNOCKING
        self.hello: Hello | None = None
        self.limits: Limits | None = None
        self.restarts = 0
        self._patience_s = patience_s
        self._unframer = Unframer()
        self._outbox = Outbox(retry_s, attempts)
        self._rows: dict[int, ChannelInfo] = {}
        self._identify = Exchange(Identify(PROTOCOL_VERSION))
        self._knocking_since_s: float | None = None
        self._latest_us: int | None = None
        self._handlers: dict[type[Message], Callable[[Any], Restarted | None]] = {
            Hello: self._hear_hello,
            Slow: self._hear_slow,
            ChannelInfo: self._hear_channel,
            Limits: self._hear_limits,
            Ack: self._hear_ack,
        }

    @property
    def identified(self) -> bool:
        """Whether the device said who it is, with its whole channel table, and accepted our protocol version."""
        return self.phase is Phase.TALKING

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        """The channel table as far as it has arrived, in its own order."""
        return tuple(self._rows[index] for index in sorted(self._rows))

    @property
    def counters(self) -> FrameCounters:
        """Frame counters of the receiving direction."""
        return self._unframer.counters

    @property
    def idle(self) -> bool:
        """Whether no command waits for its turn or for its answer."""
        return self._outbox.idle

    def send(self, command: Message) -> Exchange:
        """Queues ``command``; LinkError when the conversation has ended.

        The result is kept current: ``pending``, ``done``, ``answer``, ``complaint()``, ``dropped``. A Heartbeat is
        never answered. While the device is not identified, everything but Abort waits.
        """
        if self.phase in ENDED:
            raise LinkError(f"{type(command).__name__} cannot be sent: the conversation with the device has ended")
        return self._outbox.put(command)

    def drop_waiting(self) -> None:
        """Gives up every command but an abort: what was asked of a stand that has tripped since is void."""
        self._outbox.drop_all()

    def due(self, now_s: float) -> bytes:
        """What has to be written now, often nothing: abort, then heartbeat, repetitions, new commands.

        Raises LinkError once when nobody identified itself within ``patience_s`` of the first call, and once for each
        command that stayed unanswered; after the latter the conversation goes on.
        """
        if self.phase in ENDED:
            return b""
        abort = self._outbox.due_abort(now_s)
        if abort:
            return abort  # the rest follows in the next turn
        return self._outbox.due(now_s) if self.identified else self._knock(now_s)

    def receive(self, data: bytes, now_s: float) -> list[Message]:
        """Messages completed by ``data``, in order, with a ``Restarted`` before the first of a device's new life.

        Raises LinkError, once, when the device speaks another protocol version. ``now_s`` is the host's time, for
        symmetry with ``due``: the times of samples come from the device, never from their arrival.
        """
        messages: list[Message] = []
        for message in self._unframer.feed(data):
            handler = self._handlers.get(type(message))
            restarted = handler(message) if handler else None
            if restarted is not None:
                messages.append(restarted)
            messages.append(message)
        return messages

    def _knock(self, now_s: float) -> bytes:
        if self._knocking_since_s is None:
            self._knocking_since_s = now_s
        if now_s - self._knocking_since_s >= self._patience_s:
            self._move(Happening.OUT_OF_PATIENCE)
            raise LinkError(self._nobody_answered())
        if now_s - self._identify.sent_at_s < KNOCK_S:
            return b""
        return self._outbox.transmit(self._identify, now_s)

    def _nobody_answered(self) -> str:
        heard = self._unframer.counters
        if heard.good:
            what = f"{heard.good} good frames came, but no complete introduction; reset the device"
        elif heard.noise_bytes:
            what = (
                f"{heard.noise_bytes} bytes of noise came, no good frame; is this the right port, and the sketch of "
                "this release on it?"
            )
        else:
            what = "not one byte came; check cable, power, and that the sketch is on the board"
        return f"no device identified itself within {self._patience_s:g} s: {what}"

    def _hear_hello(self, hello: Hello) -> Restarted | None:
        if hello.protocol != PROTOCOL_VERSION:
            self._refuse(hello.protocol)
            return None
        restarted = self._restart(hello) if self._is_new_life(hello) else None
        self.hello = hello
        self._latest_us = hello.time_us
        self._settle()
        return restarted

    def _is_new_life(self, hello: Hello) -> bool:
        """After we knew the device: an unasked Hello, or one whose time does not join on to the telemetry's."""
        if not self.identified or self._latest_us is None:
            return False
        asked = self._identify.attempts > 1  # a late answer to a second knock
        gap_s = abs(signed_difference_us(hello.time_us, self._latest_us)) / US_PER_S
        return not asked or gap_s > HELLO_TOLERANCE_S

    def _hear_slow(self, slow: Slow) -> Restarted | None:
        """A device whose clock ran backwards restarted, even if its Hello was lost."""
        latest_us, self._latest_us = self._latest_us, slow.time_us
        if latest_us is None or not self.identified:
            return None
        if signed_difference_us(slow.time_us, latest_us) / US_PER_S > -HELLO_TOLERANCE_S:
            return None
        return self._restart(None)

    def _restart(self, hello: Hello | None) -> Restarted:
        self.restarts += 1
        self.hello = None
        self.limits = None
        self._rows.clear()
        self._outbox.drop_all()
        self._identify = Exchange(Identify(PROTOCOL_VERSION))
        self._knocking_since_s = None
        self._move(Happening.RESTARTED)
        return Restarted(hello)

    def _hear_channel(self, row: ChannelInfo) -> None:
        self._rows[row.index] = row
        self._settle()

    def _hear_limits(self, limits: Limits) -> None:
        self.limits = limits

    def _hear_ack(self, ack: Ack) -> None:
        if ack.result == Result.WRONG_VERSION:
            self._refuse(ack.detail)
        elif self._identify.answers(ack):
            self._identify.answer = ack
            self._settle()
        else:
            self._outbox.accept(ack)

    def _settle(self) -> None:
        """Ends the knocking once greeting, table and answer are complete."""
        complete = self.hello is not None and len(self._rows) >= self.hello.channels
        if self.phase is Phase.KNOCKING and complete and self._identify.answer is not None:
            self._move(Happening.IDENTIFIED)

    def _refuse(self, version: int) -> None:
        if self.phase in ENDED:
            return
        self._move(Happening.OTHER_VERSION)
        self._outbox.drop_all()
        raise LinkError(
            f"the device speaks protocol version {version}, this program speaks version {PROTOCOL_VERSION}: "
            "put the sketch of this release on the board"
        )

    def _move(self, happening: Happening) -> None:
        self.phase = TRANSITIONS[self.phase, happening]
