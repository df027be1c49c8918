"""A stand whose motor cannot be driven: the device identified, listened to, and armed for its servo or its trips alone.

Pure: ``step`` takes bytes and the time and gives bytes; no clock, no I/O. What is to be done is a *procedure*, a
generator that goes on by one ``next`` after each step and yields while it waits; procedures call one another with
``yield from``. Whoever drives it (``still_loop``, a window's timer) does both.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Generator, Sequence
from typing import TypeVar

import numpy as np

from whirlbench.calibration.steady_reading import READING_S, SteadyReading, steady_reading
from whirlbench.errors import BenchError, CalibrationError, LinkError
from whirlbench.link.conversation import Conversation
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import Abort, Arm, Disarm, Heartbeat, Message, Pitch, Reason, Reset, Slow, Throttle
from whirlbench.link.outbox import Exchange
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TICKS_PER_MINUTE
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.session.engine.actions import IdentityRecord, Record, VibrationRecord
from whirlbench.session.engine.agreement import Agreement
from whirlbench.session.engine.heartbeat import HeartbeatKeeper
from whirlbench.session.engine.host_ring import HostRing
from whirlbench.session.engine.stand_watch import StandWatch, reason_name
from whirlbench.session.engine.telemetry import DatedEvent, Telemetry
from whirlbench.session.still.limit_tables import HEARTBEAT_MS

Result = TypeVar("Result")
Procedure = Generator[None, None, Result]
ANSWER_S = 8.0  # for whatever the device is asked; the conversation's own patience is shorter
SETTLE_S = 0.6  # for a servo that has come near its pulse
TURN_S = 0.6  # for a speed to be one of whole turns
MOST_SAMPLES = 8_000  # of a signal: more than two seconds of the quickest accelerometer
RPM_SHARE = 0.002  # of a speed, below which its wandering does not matter: a fifth of what a tach's fit bears
SIGNALS = {"current_a": "current_counts", "voltage_v": "voltage_counts", "pitch_deg": "servo_counts"}
AXES = ("ax_g", "ay_g", "az_g")


class StandTripped(BenchError):
    """The device tripped where nobody provoked it."""


class StillStand:
    """One device, and what was heard of it; see the module's text."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.conversation = Conversation()
        self.telemetry = Telemetry(rig)
        self.watch = StandWatch.of(rig)
        self.keeper = HeartbeatKeeper(min(rig.limits.heartbeat_ms, HEARTBEAT_MS) / 1e3, HEARTBEAT_MS / 1e3)
        self.now_s = 0.0
        self.slow: Slow | None = None
        self.events: list[DatedEvent] = []  # of the device, in order
        self.edges_s: list[float] = []  # tach edges, run time
        self.records: list[Record] = []  # for a recording; whoever keeps one takes them
        self.beating = False  # heartbeats leave: set by ``arm``, and by a trial that withholds them
        self.ring: HostRing | None = None  # rules of the host on trial
        self._samples: dict[str, deque[float]] = {}
        self._introduced = False
        self._load_age_ms = 255

    @property
    def state(self) -> Stand | None:
        """The device's state, None before the first telemetry."""
        return self.watch.state

    @property
    def time_s(self) -> float:
        """Run time of the latest sample, by the device's clock."""
        return self.telemetry.time_s

    def step(self, now_s: float, data: bytes) -> bytes:
        """Takes ``data`` that came by ``now_s`` (host's monotonic seconds); what has to be written now.

        Whoever calls is the operator's surface itself: one that hangs calls no more, and no heartbeat leaves.
        """
        self.now_s = now_s
        self.keeper.turn(now_s)
        heard = self.telemetry.take(self.conversation.receive(data, now_s), now_s)
        self._introduce()
        self.records += heard.records
        self.records += self.watch.follow(heard)
        self.edges_s += heard.batch.edges_s.tolist()
        for told in heard.told:
            if isinstance(told, DatedEvent):
                self.events.append(told)
            else:
                self._sample(told.slow)
        for record in heard.records:
            if isinstance(record, VibrationRecord):
                self._sample_vibration(record.counts)
        if self.ring is not None and self.ring.judge(heard.batch, self.watch.live) is not None:
            self.conversation.send(Abort(Reason.HOST_RULE))
            self.ring = None
        if heard.slow:
            self.keeper.checked(now_s, heard.slow[-1].time_s)
        if self.beating and self.conversation.identified and self.keeper.due(now_s, surface_age_s=0.0):
            self.conversation.send(Heartbeat(self.keeper.sent & 0xFFFF))
        return self.conversation.due(now_s)

    def taken_records(self) -> list[Record]:
        """What came since the last call."""
        records, self.records = self.records, []
        return records

    def identity(self) -> IdentityRecord | None:
        """What the device said of itself; None before it has."""
        return IdentityRecord.of(self.conversation.hello) if self.conversation.hello is not None else None

    def device_name(self) -> str:
        """Board, firmware and build in one line; empty before the device has said them."""
        identity = self.identity()
        if identity is None:
            return ""
        known = identity.firmware
        return f"{known['board']}, firmware {known['firmware']}, build {known['build_id']}"

    def latest_counts(self) -> dict[str, float]:
        """The present counts by signal, for a live display; NaN where nothing has come."""
        return {name: samples[-1] if samples else math.nan for name, samples in self._samples.items()}

    def readings(self, signals: Sequence[str]) -> dict[str, SteadyReading]:
        """Readings of ``signals`` since ``forget``; CalibrationError names one that gave too few samples."""
        return {name: _named(name, np.array(self._samples.get(name, []))) for name in signals}

    def forget(self) -> None:
        """A reading begins."""
        self._samples.clear()

    def _introduce(self) -> None:
        identity = self.identity() if not self._introduced and self.conversation.identified else None
        if identity is not None:
            self._introduced = True
            self.records.append(identity)

    def _sample(self, slow: Slow) -> None:
        """One sample of each signal; of the load cell only what was newly read, else its noise would look small."""
        self.slow = slow
        for name, field in SIGNALS.items():
            self._kept(name).append(float(getattr(slow, field)))
        if slow.load_age_ms < self._load_age_ms:
            self._kept("thrust_n").append(float(slow.load_counts))
        self._load_age_ms = slow.load_age_ms
        ticks = slow.period_ticks
        rpm = TICKS_PER_MINUTE / ticks if ticks else 0.0  # as the device shows it: without the correction sought
        self._kept("rpm").append(rpm)

    def _sample_vibration(self, counts: np.ndarray) -> None:
        for name, column in zip(AXES, counts.T, strict=True):
            self._kept(name).extend(column.tolist())

    def _kept(self, name: str) -> deque[float]:
        return self._samples.setdefault(name, deque(maxlen=MOST_SAMPLES))


def _named(name: str, samples: np.ndarray) -> SteadyReading:
    try:
        resolution = RPM_SHARE * float(np.mean(samples)) if name == "rpm" and len(samples) else 1.0
        return steady_reading(samples, resolution)
    except CalibrationError as error:
        raise CalibrationError(f"{name}: {error}") from error


# --- procedures --------------------------------------------------------------------------------------------------


def identify(stand: StillStand) -> Procedure[None]:
    """Waits until the device said who it is and which state it is in."""
    while not stand.conversation.identified or stand.state is None:
        yield


def answered(stand: StillStand, command: Message) -> Procedure[Exchange]:
    """Sends ``command`` and waits for its answer; LinkError when it stays out."""
    exchange, since_s = stand.conversation.send(command), stand.now_s
    while exchange.pending:
        if stand.now_s - since_s > ANSWER_S:
            raise LinkError(f"{type(command).__name__} was not answered within {ANSWER_S:g} s")
        yield
    return exchange


def done(stand: StillStand, command: Message) -> Procedure[None]:
    """As ``answered``; LinkError in the device's words when it was not done, StandTripped when a trip is why."""
    exchange = yield from answered(stand, command)
    if not exchange.done and stand.state is Stand.TRIPPED:
        raise StandTripped(f"the device tripped: {trip_words(stand)}")
    if not exchange.done:
        raise LinkError(exchange.complaint() or f"{type(command).__name__} was dropped")


def trip_words(stand: StillStand) -> str:
    """Why the device tripped; a heartbeat that it missed with who was late."""
    reason = stand.watch.reason
    late = f" ({stand.keeper.chain.verdict()})" if reason is Reason.HEARTBEAT_LOST else ""
    return f"{reason_name(reason)}{late}"


def pause(stand: StillStand, seconds: float) -> Procedure[None]:
    """Waits for ``seconds`` of the device's clock; LinkError when telemetry stays out."""
    until_s, by_s = stand.time_s + seconds, stand.now_s + 2.0 * seconds + ANSWER_S
    while stand.time_s < until_s:
        if stand.now_s > by_s:
            raise LinkError("nothing is heard from the device")
        yield


def read(
    stand: StillStand, signals: Sequence[str], seconds: float | None = None
) -> Procedure[dict[str, SteadyReading]]:
    """Readings of ``signals`` over ``seconds`` from now on; by default as long as a calibration takes them."""
    yield from pause(stand, TURN_S if "rpm" in signals else 0.05)  # what waited in the line is older
    stand.forget()
    yield from pause(stand, READING_S if seconds is None else seconds)
    return stand.readings(signals)


def lock(stand: StillStand, reset: bool = True) -> Procedure[None]:
    """Takes the stand to locked from wherever it is; a trip is reset only with ``reset``."""
    if stand.watch.live:
        yield from done(stand, Disarm())
        yield from until_state(stand, (Stand.LOCKED, Stand.TRIPPED))
    if stand.state is Stand.TRIPPED:
        if not reset:
            raise StandTripped(f"the device is tripped: {trip_words(stand)}")
        yield from done(stand, Throttle(round(stand.rig.throttle.safe_us)))
        yield from _reset(stand)
    stand.beating = False


def _reset(stand: StillStand) -> Procedure[None]:
    """Reset is refused until the rotor is known to be at rest."""
    by_s = stand.now_s + stand.rig.tach.rest_ms / 1e3 + ANSWER_S
    while stand.state is Stand.TRIPPED:
        stand.watch.asked.add(Happening.RESET)
        exchange = yield from answered(stand, Reset())
        if not exchange.done and stand.now_s > by_s:
            raise LinkError(f"the device stays tripped: {exchange.complaint()}")
        yield from pause(stand, 0.1)


def until_state(stand: StillStand, states: Sequence[Stand]) -> Procedure[None]:
    """Waits for one of ``states``."""
    by_s = stand.now_s + stand.rig.tach.rest_ms / 1e3 + ANSWER_S
    while stand.state not in states:
        if stand.now_s > by_s:
            names = " or ".join(state.name.lower() for state in states)
            raise LinkError(f"the device did not become {names}")
        yield


def agree(stand: StillStand, table: Sequence[int], parameters: Sequence[Message] = ()) -> Procedure[None]:
    """Writes the limit ``table`` and reads it back; LinkError when device and host do not agree.

    RigError where the table would let the motor be driven: that is not what this is for.
    """
    if table[LimitId.THROTTLE_MAX_US] != table[LimitId.THROTTLE_SAFE_US]:
        raise LinkError("the limit table would let the motor be driven: nothing was written")
    agreement, by_s = Agreement(stand.conversation, table, parameters), stand.now_s + 2 * ANSWER_S
    while not agreement.complete:
        if stand.now_s > by_s:
            raise LinkError("the limits were not answered")
        yield
    if agreement.objection():
        raise LinkError(f"limits are not agreed: {agreement.objection()}")


def arm(stand: StillStand, table: Sequence[int]) -> Procedure[None]:
    """Arms under ``table``, agreed before; only the servo can be moved then."""
    stand.beating = True
    by_s = stand.now_s + stand.rig.tach.rest_ms / 1e3 + ANSWER_S
    yield from pause(stand, 0.3)  # several heartbeats
    yield from done(stand, Throttle(table[LimitId.THROTTLE_SAFE_US]))
    while True:
        stand.watch.asked.add(Happening.ARM)
        exchange = yield from answered(stand, Arm(checksum(table)))
        if exchange.done:
            return
        if stand.now_s > by_s:
            raise LinkError(exchange.complaint())
        yield from pause(stand, 0.1)


def put_servo(stand: StillStand, table: Sequence[int], pulse_us: float, approach_us: float | None) -> Procedure[None]:
    """Arms, takes the servo to ``pulse_us`` over ``approach_us``, and locks again: hands come near no armed stand."""
    yield from arm(stand, table)
    for target_us in (approach_us, pulse_us):
        if target_us is not None:
            yield from move_servo(stand, target_us)
    yield from lock(stand, reset=False)


def move_servo(stand: StillStand, pulse_us: float) -> Procedure[None]:
    """Sends the servo to ``pulse_us`` and gives it the time to get there."""
    before_us = float(stand.slow.servo_us) if stand.slow is not None and stand.slow.servo_us else pulse_us - 1000.0
    yield from done(stand, Pitch(round(pulse_us)))
    slew = stand.rig.servo.slew_us_per_s or 1000.0
    yield from pause(stand, SETTLE_S + abs(pulse_us - before_us) / slew)
    if stand.state is Stand.TRIPPED:
        raise StandTripped(f"the device tripped: {trip_words(stand)}")
