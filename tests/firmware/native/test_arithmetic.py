"""The compiled AVR binary computes what Python computes: an ``int`` of 16 bits is a trap that native tests miss."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import dataclass

import build
import numpy as np
import pytest
from mcu import BOARDS, Mcu

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import (
    Ack,
    Arm,
    Counters,
    Flag,
    GovernorId,
    GovernorMode,
    Heartbeat,
    Limits,
    Message,
    Pitch,
    ReadLimits,
    Request,
    Result,
    SetGovernor,
    SetLimit,
    Slow,
    State,
    Tach,
)
from whirlbench.physics.governor_law import Law, Settings, push_q32, slew_q32

STREAMS = json.loads((build.HERE.parent / "vectors" / "streams.json").read_text(encoding="utf-8"))["streams"]
STEP_S = 0.002
TICKS_PER_S = 2e6


class Bench:
    """A host that knows no rules, on a bare chip: commands in, messages out, edges at a speed of its choice."""

    def __init__(self, chip: Mcu) -> None:
        self.chip = chip
        self.heard: list[Message] = []
        self.edge_s = 0.0
        self.period_s = 0.0  # 0: the rotor stands
        self._unframer = Unframer()
        self._sequence = 0
        self._rng = np.random.default_rng(3)

    def send(self, *commands: Message) -> None:
        for command in commands:
            self.chip.write(frame(command, self._sequence))
            self._sequence = (self._sequence + 1) & 0xFF
            self.run(0.006)

    def run(self, for_s: float) -> None:
        end_s = self.chip.now_s + for_s
        while self.chip.now_s < end_s - 1e-9:
            self._turn(min(end_s, self.chip.now_s + STEP_S))

    def _turn(self, until_s: float) -> None:
        due = self.chip.samples_due(until_s)
        if len(due):
            self.chip.samples(self._rng.integers(-20, 20, (len(due), 3)))
        if self.period_s:
            times = np.arange(self.edge_s + self.period_s, until_s, self.period_s)
            self.chip.tach_edges(times)
            self.edge_s = float(times[-1]) if len(times) else self.edge_s
        self.chip.run(until_s)
        self.heard += self._unframer.feed(self.chip.read())

    def spin(self, speed_rpm: float) -> None:
        """Edges at this speed from now on."""
        self.period_s = 60.0 / speed_rpm
        self.edge_s = max(self.edge_s, self.chip.now_s - self.period_s)  # the next edge is not in the past

    def beat(self, for_s: float) -> None:
        """Heartbeats while time passes."""
        for _ in range(round(for_s / 0.05)):
            self.send(Heartbeat(0))
            self.run(0.044)

    def arm(self, limits: dict[LimitId, int]) -> None:
        self.run(0.05)  # power-on
        for slot, value in limits.items():
            self.send(SetLimit(slot, value))
        values = [limits.get(slot, slot.start) for slot in LimitId]
        self.run(0.15)
        self.send(Heartbeat(0), Arm(checksum(values)))
        assert [ack.result for ack in self.all_of(Ack)] == [Result.DONE] * len(self.all_of(Ack))

    def all_of(self, kind: type) -> list:
        return [message for message in self.heard if isinstance(message, kind)]


@pytest.fixture(params=list(BOARDS))
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    with Mcu(request.param, build.sketch(request.param)) as chip:
        yield Bench(chip)


LIMITS = {
    LimitId.OVERSPEED_TICKS: 8000,
    LimitId.HEARTBEAT_MS: 2000,
    LimitId.THROTTLE_SAFE_US: 1000,
    LimitId.REST_MS: 100,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.THROTTLE_SLEW_US_PER_S: 700,
    LimitId.PULSES_PER_REV: 2,
}
KP, KI, SLEW = 12_345, 67_890, 333


def speeds(seed: int) -> list[float]:
    """A wandering speed in rpm of two pulses a revolution."""
    rng = np.random.default_rng(seed)
    return list(rng.uniform(1500, 6900, 25))


def governed(bench: Bench) -> list[Slow]:
    """Slow messages from the first one under the request on."""
    return [slow for slow in bench.all_of(Slow) if slow.request_rpm and slow.state != State.TRIPPED]


def edges_us(bench: Bench) -> list[int]:
    return [edge for tach in bench.all_of(Tach) for edge in tach.edges_us]


UNSEEN_US = 2_000  # an edge younger than a turn of the loop may not have been taken yet


@dataclass
class Twin:
    """One history that explains every pulse so far."""

    law: Law
    pulse_us: int
    sinking: bool = False

    def after(self, slow: Slow, silence_us: int, chosen: Settings, safe_us: int | None) -> Twin:
        """What PROTOCOL.md section 8 says for a tick: a step, a pause while the tach is doubted or overdue, a fall."""
        period = slow.period_ticks
        lost = period > 0 and silence_us > period
        if period and not lost and (2 * silence_us > period or slow.flags & Flag.TACH_DOUBTED):
            return self
        law, sinking = copy.copy(self.law), self.sinking or lost
        own = chosen._replace(min_us=safe_us) if sinking and safe_us is not None else chosen
        return Twin(law, law.step(own, slow.request_rpm, 0 if lost else period, 1), sinking)


def assert_explained(law: Law, chosen: Settings, slows: list[Slow], edges: list[int], safe_us: int | None) -> None:
    """Every pulse is what a twin of the law puts out.

    The period is that of the latest whole turn of two marks, as told. Where the latest edge is as young as a turn of
    the loop, the device may have known that or the one before, and both are followed. ``safe_us`` None: the pitch is
    governed.
    """
    twins = [Twin(law, law.output_q32 >> 32)]
    for slow in slows:
        period = slow.period_ticks
        known = [edge for edge in edges if edge <= slow.time_us][-2:]
        young = len(known) > 1 and slow.time_us - known[-1] < UNSEEN_US
        silences = [slow.time_us - edge for edge in known[-1 - young :]] if period else [0]
        told_us = slow.servo_us if safe_us is None else slow.throttle_us
        found = {}
        for twin in twins:
            for sinking in {twin.sinking, twin.sinking and not period}:
                for silence_us in silences:
                    new = Twin(twin.law, twin.pulse_us, sinking).after(slow, silence_us, chosen, safe_us)
                    found[new.law.output_q32, new.law.integral_q32, new.sinking, new.pulse_us] = new
        twins = [twin for twin in found.values() if twin.pulse_us == told_us]
        assert twins, (slow, sorted({twin.pulse_us for twin in found.values()}))


def test_throttle_governor_equals_its_twin_at_every_tick(bench: Bench) -> None:
    bench.arm(LIMITS)
    parameters = {
        GovernorId.MODE: GovernorMode.THROTTLE,
        GovernorId.THROTTLE_KP: KP,
        GovernorId.THROTTLE_KI: KI,
        GovernorId.THROTTLE_MIN_US: 1111,
        GovernorId.THROTTLE_MAX_US: 1777,
        GovernorId.THROTTLE_SLEW_US_PER_S: SLEW,
    }
    for parameter, value in parameters.items():
        bench.send(SetGovernor(parameter, value))
    bench.send(Heartbeat(0), Request(2100))
    bench.beat(0.2)  # at rest: goes to its minimum and waits
    for speed in speeds(5):
        bench.spin(2 * speed)
        bench.beat(0.05)
    slows, law = governed(bench), Law()
    chosen = Settings(KP, push_q32(KI), 1111, 1777, slew_q32(SLEW), slew_q32(SLEW), True)
    law.engage(1000)
    assert len(slows) > 600
    assert_explained(law, chosen, slows, edges_us(bench), 1000)
    pulses = [slow.throttle_us for slow in slows]
    assert len(set(pulses)) > 100  # it moved


def test_pitch_governor_with_negative_gains_equals_its_twin_at_every_tick(bench: Bench) -> None:
    bench.arm(LIMITS)
    parameters = {
        GovernorId.MODE: GovernorMode.PITCH,
        GovernorId.PITCH_KP: -3 * KP,  # both stops within 50 ms
        GovernorId.PITCH_KI: -KI,
        GovernorId.PITCH_MIN_US: 900,
        GovernorId.PITCH_MAX_US: 1950,
    }
    for parameter, value in parameters.items():
        bench.send(SetGovernor(parameter, value))
    bench.send(Heartbeat(0), Pitch(1500), Request(4200))
    for speed in speeds(6):
        bench.spin(2 * speed)
        bench.beat(0.05)
    slows, law = governed(bench), Law()
    chosen = Settings(-3 * KP, push_q32(-KI), 1000, 1950, slew_q32(0), slew_q32(0), False)
    law.engage(1500)
    assert_explained(law, chosen, slows, edges_us(bench), None)
    assert len(slows) > 500
    assert {1000, 1950} <= {slow.servo_us for slow in slows}  # both stops were reached


def test_limits_at_the_ends_of_their_ranges_come_back_whole(bench: Bench) -> None:
    bench.run(0.05)
    values = [slot.highest for slot in LimitId]
    for slot, value in zip(LimitId, values, strict=True):
        bench.send(SetLimit(slot, value))
    bench.send(ReadLimits())
    bench.run(0.02)
    assert bench.all_of(Limits)[-1] == Limits(checksum(values), tuple(values))


@pytest.mark.parametrize("board", BOARDS)
def test_golden_streams_on_the_chip(board: str) -> None:
    """Every damaged stream, one after the other: intact payloads are answered, damaged ones are counted."""
    with Mcu(board, build.sketch(board)) as chip:
        bench = Bench(chip)
        bench.run(0.1)
        for stream in STREAMS:
            bench.heard.clear()
            chip.write(bytes.fromhex(stream["bytes"]))
            bench.run(0.02)
            answered = [(ack.command, ack.command_sequence) for ack in bench.all_of(Ack)]
            assert answered == [tuple(bytes.fromhex(payload)[:2]) for payload in stream["payloads"]], stream["name"]
        bench.run(1.1)
        assert bench.all_of(Counters)[-1].bad_frames == sum(stream["bad"] for stream in STREAMS)
