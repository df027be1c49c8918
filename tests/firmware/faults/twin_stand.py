"""A lively stand around the sketch's portable core, natively and faster than real time, with the Python twin beside it.

    python tests/firmware/faults/twin_stand.py hour [SECONDS] [SEED]      healthy running: no trip
    python tests/firmware/faults/twin_stand.py glitches [SECONDS] [SEED]  extra edges, then an overspeed
    python tests/firmware/faults/twin_stand.py twins [SAMPLES] [SEED]     both twins through fault after fault

Noise on every channel, gusts, steps of speed and pitch, marks that stand unevenly on the hub. Signals are made a
second at a time. Invented values, of the size of the shipped example rig's.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import native_core

from whirlbench.link.framing import Unframer
from whirlbench.link.limit_table import LimitId, checksum, start_values
from whirlbench.link.messages import (
    Abort,
    Arm,
    Board,
    DeviceEvent,
    EventKind,
    Heartbeat,
    Message,
    Pitch,
    Reason,
    Reset,
    Restart,
    SetLimit,
    Throttle,
    encode,
)
from whirlbench.safety.tach_marks import TachMarks
from whirlbench.simulator.device.machine import DeviceMachine, Identity, Readings, receive

TICK_MS, TICKS = 2, 500  # of a second
RATE_HZ = 1600
BEAT_TICKS = 10
SAFE_US, HELD_US = 1000, 1500
UNEVEN = (0.0, 0.31, 0.72)
LEAST_RPM, MOST_RPM, LIMIT_RPM = 3000.0, 8500.0, 10_000.0
SERVO = ((1000, 2000), (180, 840))
LIMITS = {
    LimitId.OVERSPEED_TICKS: 12_000,
    LimitId.VIBRATION_COUNTS: 200,
    LimitId.VIBRATION_WINDOW: 64,
    LimitId.HEARTBEAT_MS: 100,
    LimitId.THROTTLE_SAFE_US: SAFE_US,
    LimitId.REST_MS: 100,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.SERVO_SAFE_US: 1200,
    LimitId.THROTTLE_SLEW_US_PER_S: 5000,
    LimitId.CURRENT_COUNTS: 800,
    LimitId.CURRENT_LEAST_COUNTS: 400,
    LimitId.CURRENT_ZERO_COUNTS: 512,
    LimitId.CUT_CURRENT_COUNTS: 50,
    LimitId.CUT_PROOF_MS: 400,
    LimitId.SLOW_CONFIRM_MS: 20,
    LimitId.LOST_TACH_MS: 60,
    LimitId.START_TACH_MS: 600,
    LimitId.DRIVEN_US: 1100,
    LimitId.VOLTAGE_COUNTS: 650,
    LimitId.SUPPLY_MV: 4500,
    LimitId.LOAD_SILENCE_MS: 100,
    LimitId.FROZEN_SAMPLES: 64,
    LimitId.STUCK_SERVO_COUNTS: 60,
    LimitId.STUCK_SERVO_MS: 300,
    LimitId.SERVO_LOW_COUNTS: SERVO[1][0],
    LimitId.SERVO_HIGH_COUNTS: SERVO[1][1],
    LimitId.TACH_JUMP_PERIODS: 3,
}


Changes = dict[LimitId, int] | None
# ten single glitches a second: one mark, two, three uneven ones; two short turns in a row; the rule on jumps is on
GLITCH_PLACES, GLITCH_CHANGES = ((0.0,), (0.0, 0.5), UNEVEN), {LimitId.OVERSPEED_CONFIRM: 2}


@dataclass
class Signals:
    """One second of what the device sees; a fault changes it. Edges in ticks of 2 MHz since the second's begin."""

    edges: np.ndarray
    samples: np.ndarray  # (RATE_HZ, 3) counts
    current: np.ndarray  # (TICKS,) as the following
    voltage: np.ndarray
    load: np.ndarray
    supply_mv: np.ndarray
    load_age_ms: np.ndarray


class Rotor:
    """Speed by steps with a slew, gusts on it; its marks, its shaking and its loads, a second at a time."""

    def __init__(self, seed: int, places: tuple[float, ...]) -> None:
        self.rng, self.places = np.random.default_rng(seed), np.array(places)
        self.rpm = self.aim = 5000.0
        self.gust = self.turns = 0.0

    def speed(self) -> np.ndarray:
        """rpm at every tick of the next second."""
        if self.rng.random() < 0.15:
            self.aim = self.rng.uniform(LEAST_RPM, MOST_RPM)
        rpm = np.empty(TICKS)
        for tick, push in enumerate(self.rng.normal(0.0, 0.0012, TICKS).tolist()):  # gusts: 1.5 % RMS within 0.3 s
            self.gust += push - self.gust * TICK_MS / 300.0
            self.rpm += min(max(self.aim - self.rpm, -6.0), 3.0)
            rpm[tick] = self.rpm * (1.0 + self.gust)
        return rpm

    def second(self, rpm: np.ndarray) -> Signals:
        """What is seen at these speeds."""
        rng = self.rng
        turns = self.turns + np.concatenate([[0.0], np.cumsum(rpm / 60.0 * TICK_MS / 1e3)])
        self.turns = turns[-1]
        marks = (np.arange(int(turns[0]), int(turns[-1]) + 1)[:, None] + self.places).ravel()
        marks = marks[(marks > turns[0]) & (marks <= turns[-1])]
        edges_s = np.interp(marks, turns, np.arange(TICKS + 1) * TICK_MS / 1e3)
        edges = np.rint((edges_s + rng.normal(0.0, 1e-6, len(edges_s))) * 2e6).astype(np.int64)
        wave = 2 * np.pi * np.interp(np.arange(RATE_HZ) / RATE_HZ, np.arange(TICKS + 1) * TICK_MS / 1e3, turns)
        shake = 60.0 * np.stack([np.cos(wave), np.sin(wave), 0.3 * np.sin(2 * wave)], axis=1)
        samples = np.rint(shake + rng.normal(0.0, 12.0, (RATE_HZ, 3)) + [0, 0, 256]).astype(np.int16)
        drawn = 140.0 * (rpm / MOST_RPM) ** 2
        return Signals(
            np.unique(edges),
            samples,
            np.rint(512 + drawn + rng.normal(0, 3, TICKS)).astype(int),
            np.rint(800 - 0.4 * drawn + rng.normal(0, 2, TICKS)).astype(int),
            np.rint(84_000 + 4000 * drawn + rng.normal(0, 60, TICKS)).astype(int),
            np.rint(5000 + rng.normal(0, 8, TICKS)).astype(int),
            np.arange(TICKS) * TICK_MS % 12,
        )


class TwinStand:
    """The core, and with ``twin`` the Python machine too; every byte and pulse of the two is compared each second."""

    def __init__(
        self, seed: int, places: tuple[float, ...] = UNEVEN, twin: bool = False, changes: Changes = None
    ) -> None:
        self.limits = {**LIMITS, LimitId.PULSES_PER_REV: len(places), **(changes or {})}
        self.core = native_core.Machine(Board.SIMULATED_STAND, Restart.POWER_ON, RATE_HZ, 3, 0, 0, SAFE_US)
        self.twin = DeviceMachine(Identity(Restart.POWER_ON, 500, RATE_HZ, 0), False, SAFE_US) if twin else None
        self.rotor, self.places = Rotor(seed, places), places
        self.marks = TachMarks(len(places))
        self.now_us = self.sequence = self.index = 0
        self.last_edge: int | None = None
        self.servo_counts = float(SERVO[1][0])
        self.servo_us, self.servo_stuck, self.beating = 1200, False, True
        self.wire = Unframer()
        self.trips: list[Reason] = []
        self.tripped_at_us = 0
        self.edges = 0

    def command(self, command: Message) -> None:
        """To both."""
        self.core.receive(encode(command, self.sequence), self.now_us)
        if self.twin is not None:
            receive(self.twin, encode(command, self.sequence), self.now_us)
        self.sequence = (self.sequence + 1) & 0xFF

    def take(self) -> None:
        """Hears what was sent, and compares."""
        sent = self.core.take()
        if self.twin is not None:
            assert sent == self.twin.sender.take(), f"the twins differ before {self.now_us} us"
            assert self.core.call("throttle_us") == self.twin.throttle_us
            assert self.core.call("servo_us") == self.twin.servo_us
        for message in self.wire.feed(sent):
            if isinstance(message, DeviceEvent) and message.kind == EventKind.TRIP:
                self.trips.append(Reason(message.reason))
                self.tripped_at_us = message.time_us

    def play(self, signals: Signals, ticks: int = TICKS) -> None:
        """Lets ``ticks`` of a second come about."""
        base = self.now_us
        edges, at = signals.edges.tolist(), 0
        samples, fed = signals.samples.tolist(), 0
        columns = (signals.current, signals.voltage, signals.load, signals.supply_mv, signals.load_age_ms)
        rows = list(zip(*(column.tolist() for column in columns), strict=True))
        for tick in range(ticks):
            end_us = base + (tick + 1) * TICK_MS * 1000
            while at < len(edges) and edges[at] <= (end_us - base) * 2:
                self._edge(base * 2 + edges[at])
                at += 1
            self.now_us = end_us
            while fed < (tick + 1) * RATE_HZ // TICKS:
                self._sample(samples[fed])
                fed += 1
            if self.beating and tick % BEAT_TICKS == 0:
                self.command(Heartbeat(1))
            self._turn(*rows[tick])
            if tick % 100 == 99:
                self.take()
        self.take()

    def _edge(self, ticks: int) -> None:
        self.edges += 1
        at_rest = bool(self.core.call("at_rest"))
        if at_rest or self.last_edge is None:
            self.marks.forget()
        is_mark = self.marks.feed(ticks)
        since = 0 if at_rest or self.last_edge is None else ticks - self.last_edge
        self.last_edge = ticks
        self.core.call("mark", ticks // 2 & 0xFFFFFFFF, since, self.marks.turn_ticks, is_mark)
        if self.twin is not None:
            self.twin.saw_edge(ticks // 2, since, self.marks.turn_ticks, is_mark)

    def _sample(self, counts: list[int]) -> None:
        self.core.call("sample", self.index, counts, self.now_us)
        if self.twin is not None:
            self.twin.saw_samples(self.index, np.array([counts], dtype=np.int16), self.now_us)
        self.index += 1

    def _turn(self, current: int, voltage: int, load: int, supply_mv: int, load_age_ms: int) -> None:
        sent_us = self.core.call("servo_us")
        if sent_us and not self.servo_stuck:
            aim = float(np.interp(sent_us, *SERVO))
            self.servo_counts += min(max(aim - self.servo_counts, -4.0), 4.0)
        values = (current, voltage, round(self.servo_counts), load, supply_mv, load_age_ms)
        self.core.call("watch", self.now_us)
        self.core.call("tick", self.now_us, *values)
        if self.twin is not None:
            self.twin.watch(self.now_us)
            self.twin.tick(self.now_us, Readings(*values))

    def rest(self, ticks: int = 100) -> None:
        """At rest, for a while."""
        signals = self.rotor.second(np.full(TICKS, 60.0))
        signals.edges = signals.edges[:0]
        signals.current[:], signals.voltage[:] = 512, 800
        self.play(signals, ticks)

    def arm(self) -> None:
        """From locked or tripped at rest to turning."""
        self.rest()
        if self.trips:
            self.command(Throttle(SAFE_US))
            self.command(Reset())
            self.trips.clear()
        else:
            for slot, value in self.limits.items():
                self.command(SetLimit(slot, value))
            self.rest()
        self.command(Heartbeat(1))
        self.command(Arm(native_limits_crc(self.limits)))
        self.command(Throttle(HELD_US))
        self.play(self.rotor.second(self.rotor.speed()))
        assert not self.trips, self.trips

    def hold(self, change: Callable[[Signals], None] = lambda signals: None) -> None:
        """One second of running, with a change of pitch now and then."""
        rng = self.rotor.rng
        if rng.random() < 0.2:
            self.servo_us = int(rng.integers(1050, 1950))
        if not self.trips:
            at_us = self.core.call("servo_us")
            self.command(Pitch(round(at_us + min(max(self.servo_us - at_us, -40), 40))))
        signals = self.rotor.second(self.rotor.speed())
        change(signals)
        self.play(signals)


def native_limits_crc(values: dict[LimitId, int]) -> int:
    """Checksum of the start table with ``values``."""
    table = list(start_values())
    for slot, value in values.items():
        table[slot] = value
    return checksum(table)


def hour(seconds: int, seed: int, places: tuple[float, ...] = UNEVEN, twin: bool = False) -> TwinStand:
    """Healthy running for so long; whoever calls looks at ``trips``."""
    stand = TwinStand(seed, places, twin)
    stand.arm()
    for _ in range(seconds):
        stand.hold()
        if stand.trips:
            break
    return stand


def glitched(rng: np.random.Generator, signals: Signals) -> None:
    """Ten edges more in this second, 60 to 140 ms apart: anywhere between the marks."""
    extra = np.arange(10) * 200_000 + rng.integers(60_000, 140_000, 10)
    signals.edges = np.unique(np.concatenate([signals.edges, extra]))


def glitches(seconds: int, seed: int, places: tuple[float, ...], changes: Changes = None) -> float:
    """Glitches for so long, then an overspeed among glitches: milliseconds from the limit's passing to the trip.

    AssertionError on a false trip, and on a missed one.
    """
    stand = TwinStand(seed, places, changes=changes)
    stand.arm()
    for second in range(seconds):
        stand.hold(lambda signals: glitched(stand.rotor.rng, signals))
        assert not stand.trips, f"{stand.trips} after {second} s"
    stand.rotor.rpm = stand.rotor.aim = 9000.0
    rpm = np.linspace(9000.0, 9000.0 + 4000.0, TICKS)
    signals, began_us = stand.rotor.second(rpm), stand.now_us
    glitched(stand.rotor.rng, signals)
    stand.play(signals)
    assert stand.trips == [Reason.OVERSPEED], stand.trips
    passed_us = began_us + int(np.argmax(rpm > LIMIT_RPM)) * TICK_MS * 1000
    return (stand.tripped_at_us - passed_us) / 1e3


def _put(name: str, value: int) -> Callable[[Signals], None]:
    def change(signals: Signals) -> None:
        getattr(signals, name)[TICKS // 2 :] = value

    return change


def _add_current(signals: Signals) -> None:
    signals.current[TICKS // 2 :] += 400


def _freeze(signals: Signals) -> None:
    signals.samples[RATE_HZ // 2 :, 1] = 17


def _shake(signals: Signals) -> None:
    signals.samples[RATE_HZ // 2 :] *= 8


def _lose_tach(signals: Signals) -> None:
    signals.edges = signals.edges[signals.edges < 1_000_000]


def _halve_tach(signals: Signals) -> None:
    late = signals.edges >= 1_000_000
    signals.edges = signals.edges[~late | (np.arange(len(late)) % 2 == 0)]


def _run_away(signals: Signals) -> None:
    late = signals.edges >= 1_000_000
    middle = (signals.edges[late][:-1] + signals.edges[late][1:]) // 2
    signals.edges = np.unique(np.concatenate([signals.edges, middle]))


BREAKS: dict[str, Callable[[Signals], None]] = {
    "current railed": _put("current", 1023),
    "current nothing": _put("current", 0),
    "over-current": _add_current,
    "pack sags": _put("voltage", 500),
    "load railed": _put("load", 0x7FFFFF),
    "load silent": _put("load_age_ms", 255),
    "supply sags": _put("supply_mv", 4200),
    "frozen": _freeze,
    "shaken": _shake,
    "tach lost": _lose_tach,
    "tach halved": _halve_tach,
    "runs away": _run_away,
}


def twins(samples: int, seed: int) -> tuple[int, Counter[Reason]]:
    """Accelerometer samples compared, and the trips by reason, of both twins through fault after fault."""
    stand, number, trips = TwinStand(seed, UNEVEN, twin=True), 0, Counter[Reason]()
    names = [*BREAKS, "servo stuck", "heartbeat stops", "abort"]
    while stand.index < samples:
        stand.arm()
        stand.hold()
        name = names[number % len(names)]
        _break(stand, name)
        if name == "runs away" and not stand.trips:  # twice the edges at a low speed: taken back as too many
            _break(stand, "abort")
        assert stand.trips, f"{name}: no trip"
        trips[stand.trips[0]] += 1
        stand.beating, stand.servo_stuck = True, False
        number += 1
    return stand.index, trips


def _break(stand: TwinStand, name: str) -> None:
    """One fault, from the middle of a second on."""
    if name == "servo stuck":
        stand.servo_stuck = True
        for pulse_us in (1100, 1900):
            stand.command(Pitch(pulse_us))
            stand.hold()
    elif name == "heartbeat stops":
        stand.beating = False
        stand.hold()
    elif name == "abort":
        stand.command(Abort(Reason.OPERATOR_ABORT))
        stand.hold()
    else:
        stand.hold(BREAKS[name])


def main() -> None:
    """One of the three, in its long form."""
    what, *numbers = sys.argv[1:]
    first, seed = [
        *map(int, numbers),
        *{"hour": (3600, 1), "glitches": (60, 1), "twins": (1_000_000, 1)}[what][len(numbers) :],
    ]
    began_s = time.process_time()
    if what == "hour":
        stand = hour(first, seed)
        print(f"{stand.now_us / 1e6:.0f} s, {stand.edges} edges, {stand.index} samples, trips: {stand.trips}")
    elif what == "glitches":
        for places in GLITCH_PLACES:
            took_ms = glitches(first, seed, places, GLITCH_CHANGES)
            print(f"{len(places)} marks, {first} s: no false trip; overspeed tripped after {took_ms:.1f} ms")
    else:
        count, trips = twins(first, seed)
        print(f"{count} samples, every byte alike; trips: {dict(trips)}")
    print(f"{time.process_time() - began_s:.0f} s of processor time")


if __name__ == "__main__":
    main()
