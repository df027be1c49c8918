"""Every single fault that the host can see by itself, with the sentence and the exit status its session ends with.

The device is the simulated one and healthy, but for what a case says; ``HOST_FAULTS`` declares what must come of each.
The tests compare, and ``bench/docs/fault_table.md`` is made of the same declarations.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from host_stand import HostStand

from whirlbench.link.messages import (
    MOST_EDGES,
    PROTOCOL_VERSION,
    DeviceEvent,
    EventKind,
    Flag,
    Hello,
    Message,
    Slow,
    State,
    Tach,
    Vibration,
)
from whirlbench.simulator.stand import LostTach

QUIET_S = 0.5  # a healthy session that goes on is looked at for so long


@dataclass(frozen=True)
class HostSeen:
    """``sentence``: reason of the outcome, or what the session shows while it goes on; ``status`` None: it goes on.

    ``took_s`` runs from the fault to the host's cut (to the end of the session where there is none).
    """

    sentence: str
    status: int | None
    took_s: float = float("nan")
    unknown: int = 0


@dataclass(frozen=True)
class HostFault:
    """``act`` gives what was seen; its sentence holds ``sentence``; ``unknown``: whether refused frames are counted."""

    name: str
    act: Callable[[], HostSeen]
    sentence: str
    status: int | None
    within_s: float
    unknown: bool = False


def played(stand: HostStand) -> HostSeen:
    """Runs a broken stand to its outcome."""
    began_s, cut_s = stand.now_s, float("nan")
    while stand.outcome is None and stand.now_s < began_s + 40.0:
        stand.step()
        if cut_s != cut_s and (stand.engine.watch.tripped_at_s is not None or stand.outcome is not None):
            cut_s = stand.now_s
    unknown = stand.engine.conversation.counters.unknown
    if stand.outcome is None:
        return HostSeen("", None, float("nan"), unknown)
    return HostSeen(stand.outcome.reason, stand.outcome.exit_status, cut_s - began_s, unknown)


def turning(change: Callable[[Message], Sequence[Message]]) -> Callable[[], HostSeen]:
    """From a steady hold on, ``change`` says what arrives of each message of the device."""

    def act() -> HostSeen:
        stand = HostStand()
        stand.turn()
        stand.tamper = change
        return played(stand)

    return act


def going_on(change: Callable[[Message], Sequence[Message]]) -> Callable[[], HostSeen]:
    """The same for what must be thrown away and harm nothing: what the session shows after a while."""

    def act() -> HostSeen:
        stand = HostStand()
        stand.turn()
        stand.tamper = change
        stand.run(stand.now_s + QUIET_S)
        if stand.outcome is not None:
            return HostSeen(stand.outcome.reason, stand.outcome.exit_status)
        unknown = stand.engine.conversation.counters.unknown
        return HostSeen(stand.engine.progress().phase, None, 0.0, unknown)

    return act


def instead(kind: type[Message], **fields: object) -> Callable[[Message], Sequence[Message]]:
    """Every message of ``kind`` with other fields."""

    def change(message: Message) -> Sequence[Message]:
        if not isinstance(message, kind):
            return (message,)
        return (replaced(message, **fields),)

    return change


def beside(kind: type[Message], **fields: object) -> Callable[[Message], Sequence[Message]]:
    """Every message of ``kind`` twice: as it is, and with other fields."""
    return lambda message: (message, *instead(kind, **fields)(message)) if isinstance(message, kind) else (message,)


def replaced(message: Message, **fields: object) -> Message:
    """``message`` with other fields."""
    values = {name: getattr(message, name) for name in message.__struct_fields__}
    return type(message)(**{**values, **fields})


def frozen(message: Message) -> Sequence[Message]:
    """The accelerometer gives one and the same sample for ever."""
    if not isinstance(message, Vibration):
        return (message,)
    samples = len(message.counts) // 6
    return (replaced(message, counts=struct.pack("<3h", 0, 0, 0) * samples),)


def mute(message: Message) -> Sequence[Message]:
    """No vibration arrives."""
    return () if isinstance(message, Vibration) else (message,)


def gappy() -> Callable[[Message], Sequence[Message]]:
    """Every third block of vibration is lost, so that no window of 64 samples is whole."""

    def change(message: Message) -> Sequence[Message]:
        lost = isinstance(message, Vibration) and message.first_index // 16 % 3 == 0
        return () if lost else (message,)

    return change


def silence(_: Message) -> Sequence[Message]:
    """Nothing arrives."""
    return ()


def met(change: Callable[[Message], Sequence[Message]]) -> Callable[[], HostSeen]:
    """A device that is different from its first word on."""
    return lambda: played(HostStand(tamper=change))


def cut_failed(kind: str) -> Callable[[], HostSeen]:
    """The operator aborts, and the device tells by event or by flag that the power is still on."""

    def act() -> HostSeen:
        stand = HostStand()
        stand.turn()
        shown: list[str] = []

        def change(message: Message) -> Sequence[Message]:
            if isinstance(message, Slow) and message.state == State.TRIPPED:
                shown.append(stand.engine.progress().message)
                if kind == "flag":
                    return (replaced(message, flags=message.flags | Flag.CUT_FAILED),)
                failed = DeviceEvent(message.time_us, EventKind.CUT_FAILED, State.TRIPPED, message.reason, 24_000)
                return (failed, replaced(message, flags=message.flags | Flag.CUT_FAILED))
            return (message,)

        stand.tamper = change
        stand.abort()
        found = played(stand)
        assert any("OPEN THE ISOLATOR" in message for message in shown), "not shown while it lasted"
        return found

    return act


def tach_lost() -> HostSeen:
    """No edge reaches the device any more; its own rule for it is what the session hears."""
    stand = HostStand()
    stand.turn()
    stand = HostStand(faults=(LostTach(stand.now_s),))
    stand.turn()
    return played(stand)


def restarted_unasked() -> HostSeen:
    """A device that introduces itself in mid run has restarted, whatever it says of its state."""
    stand = HostStand()
    stand.turn()
    assert stand.engine.conversation.hello is not None
    hello = [stand.engine.conversation.hello]

    def change(message: Message) -> Sequence[Message]:
        if isinstance(message, Slow) and hello:
            return (replaced(hello.pop(), time_us=0), replaced(message, time_us=2000))
        return (message,)

    stand.tamper = change
    return played(stand)


def unlawful(message: Message) -> Sequence[Message]:
    """Telemetry says locked in mid run although nobody disarmed."""
    return instead(Slow, state=int(State.LOCKED))(message)


HALF_TRIPLET = bytes(8)
TRIPPED, REFUSED = 3, 2

HOST_FAULTS = (
    HostFault(
        "vibration of no axes",
        turning(instead(Vibration, axes=0)),
        "host rule; vibration_silence_s",
        TRIPPED,
        1.0,
        True,
    ),
    HostFault("no vibration arrives", turning(mute), "host rule; vibration_silence_s", TRIPPED, 1.0),
    HostFault("a gap in every window of vibration", turning(gappy()), "host rule; vibration_silence_s", TRIPPED, 1.0),
    HostFault(
        "half a triplet of vibration", going_on(beside(Vibration, counts=HALF_TRIPLET)), "running", None, 1.0, True
    ),
    HostFault("vibration without samples", going_on(beside(Vibration, counts=b"")), "running", None, 1.0, True),
    HostFault("empty list of edges", going_on(beside(Tach, edges_us=())), "running", None, 1.0, True),
    HostFault(
        "over-long list of edges",
        going_on(beside(Tach, edges_us=tuple(range(MOST_EDGES + 1)))),
        "running",
        None,
        1.0,
        True,
    ),
    HostFault("state that no device has", going_on(beside(Slow, state=9)), "running", None, 1.0),
    HostFault("accelerometer frozen", turning(frozen), "host rule; frozen_samples", TRIPPED, 1.0),
    HostFault("telemetry falls silent", turning(silence), "nothing heard from the device", TRIPPED, 5.0),
    HostFault("cut failed, told by its event", cut_failed("event"), "OPEN THE ISOLATOR", TRIPPED, 1.0),
    HostFault("cut failed, told by the flag alone", cut_failed("flag"), "OPEN THE ISOLATOR", TRIPPED, 1.0),
    HostFault("tach wire off", tach_lost, "lost_tach_ms", TRIPPED, 1.0),
    HostFault("device restarts in mid run", restarted_unasked, "restart", TRIPPED, 1.0),
    HostFault(
        "device says locked, though nobody disarmed", turning(unlawful), "the device locked itself", TRIPPED, 1.0
    ),
    HostFault(
        "other protocol version",
        met(instead(Hello, protocol=PROTOCOL_VERSION - 1)),
        "put the sketch of this release on the board",
        REFUSED,
        8.0,
    ),
    HostFault("silence from the beginning", met(silence), "no device identified itself", REFUSED, 8.0),
    HostFault(
        "device that was tripped before",
        met(instead(Slow, state=3, reason=1)),
        "the device tripped in an earlier run (overspeed)",
        REFUSED,
        8.0,
    ),
)
