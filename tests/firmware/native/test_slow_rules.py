"""The sketch's rules that judge over a while, against their twins and plain statements.

Slow channels, cut, lost tach, frozen accelerometer.
"""

from __future__ import annotations

from dataclasses import astuple, replace

import native_core
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Reason
from whirlbench.safety.device_rules import (
    CutLimits,
    CutProof,
    FrozenRule,
    LostTachRule,
    SlowCounts,
    SlowLimits,
    SlowRules,
)

TICK_MS = 2
PROOF = CutLimits(cut_proof_ms=400, cut_current_counts=20, current_zero_counts=512)


def table(values: dict[LimitId, int]) -> native_core.LimitTable:
    made = native_core.LimitTable()
    for slot, value in values.items():
        assert made.call("set", slot, value)
    return made


def proof_table(limits: CutLimits) -> native_core.LimitTable:
    return table({LimitId[name.upper()]: value for name, value in limits._asdict().items()})


def prove(periods: list[int], currents: list[int], limits: CutLimits = PROOF) -> tuple[list[int], int]:
    """Turns of 2 ms at which a cut is told to have failed, by both twins alike, and what they say of it."""
    ours, twin, of = native_core.CutProof(), CutProof(), proof_table(limits)
    ours.call("begin")
    twin.begin()
    failed = []
    for turn, (period, current) in enumerate(zip(periods, currents, strict=True)):
        told = ours.feed(of, period, current)
        assert told == twin.feed(limits, period, current)
        assert bool(ours.call("failed")) == twin.failed
        failed += [turn] if told else []
    if failed:
        assert ours.call("detail") == twin.detail
    return failed, twin.detail


def coast(seventh: float, turns: int = 1000) -> list[int]:
    """Periods that grow by this share, in steps, within each proof time."""
    within = PROOF.cut_proof_ms // TICK_MS
    return [round(14_000 * (1.0 + seventh) ** (turn // (within - 10))) for turn in range(turns)]


def test_a_rotor_that_slows_by_an_eighth_each_time_is_cut_and_one_that_slows_less_is_not() -> None:
    none = [PROOF.current_zero_counts] * 1000
    assert prove(coast(1 / 7 + 0.001), none) == ([], 0)
    failed, detail = prove(coast(1 / 7 - 0.01), none)
    assert len(failed) == 1 and detail == 16_000 - 140
    failed, detail = prove([14_000] * 1000, none)
    assert failed == [PROOF.cut_proof_ms // TICK_MS] and detail == 14_000


def test_a_rotor_that_becomes_faster_again_is_not_cut() -> None:
    failed, detail = prove([14_000] * 20 + [12_500] * 980, [PROOF.current_zero_counts] * 1000)
    assert failed == [PROOF.cut_proof_ms // TICK_MS] and detail == 12_500


@pytest.mark.parametrize(("current", "expected"), [(532, []), (492, []), (533, [199]), (491, [199])])
def test_a_current_that_stays_beyond_its_share_of_zero_is_no_cut(current: int, expected: list[int]) -> None:
    failed, detail = prove([0] * 400, [current] * 400)
    assert failed == expected and (not expected or detail == -1 - current)


def test_a_current_that_comes_near_zero_now_and_then_is_counted_anew() -> None:
    assert prove([0] * 1000, [600 if turn % 190 else 512 for turn in range(1000)]) == ([], 0)


@given(
    st.sampled_from([0, 2, 50, 400]),
    st.sampled_from([0, 20]),
    st.lists(
        st.tuples(st.sampled_from([0, 6_999, 7_000, 7_999, 8_000, 9_142, 2**31 - 1]), st.integers(480, 545)),
        max_size=40,
    ),
    st.integers(1, 30),
)
@settings(max_examples=60)
def test_a_cut_is_proved_as_by_its_twin(
    within_ms: int, most: int, stretches: list[tuple[int, int]], turns: int
) -> None:
    rows = [row for row in stretches for _ in range(turns)]
    limits = CutLimits(max(within_ms, LimitId.CUT_PROOF_MS.lowest), most, 512)
    prove([period for period, _ in rows], [current for _, current in rows], limits)


def lost(rows: list[tuple[int, int]], lost_ms: int = 60, start_ms: int = 600) -> list[int]:
    """Turns at which both twins alike tell a lost tach, for pulses and silences."""
    of = table({LimitId.LOST_TACH_MS: lost_ms, LimitId.START_TACH_MS: start_ms, LimitId.DRIVEN_US: 1100})
    ours, twin = native_core.LostTach(), LostTachRule(lost_ms, start_ms, 1100)
    trips = []
    for turn, (throttle_us, silence_ms) in enumerate(rows):
        told = ours.feed(of, throttle_us, silence_ms)
        assert told == twin.feed(throttle_us, silence_ms)
        if told:
            assert ours.call("quiet_ms") == twin.quiet_ms
            trips.append(turn)
    return trips


AT_REST = LostTachRule.AT_REST


def test_a_tach_that_falls_silent_is_lost_after_its_time_and_one_that_never_spoke_after_the_start_time() -> None:
    spoke = [(1400, 5)] * 50 + [(1400, 2 * turn) for turn in range(60)]
    assert lost(spoke)[0] - 50 == 31  # 62 ms: the first above 60
    assert lost([(1400, AT_REST)] * 400)[0] == 301  # 602 ms
    assert lost([(1099, AT_REST)] * 4000) == []  # not driven
    assert lost([(1100, AT_REST)] * 400)[0] == 301  # the pulse itself counts as driven
    assert lost(spoke, lost_ms=0) == []


@given(
    st.lists(
        st.tuples(st.sampled_from([1000, 1099, 1100, 1400]), st.sampled_from([0, 3, 59, 60, 61, 62, 200, AT_REST])),
        max_size=30,
    ),
    st.integers(1, 200),
    st.sampled_from([0, 30, 60]),
)
@settings(max_examples=40)
def test_a_tach_is_lost_as_by_its_twin(stretches: list[tuple[int, int]], turns: int, lost_ms: int) -> None:
    lost([row for row in stretches for _ in range(turns)], lost_ms)


def test_an_axis_is_frozen_at_its_last_permitted_sample_and_alone() -> None:
    ours = native_core.Frozen(64)
    moving = [(turn % 2, 4095, -(turn % 3)) for turn in range(64)]
    assert [ours.feed(sample) for sample in moving] == [False] * 63 + [True]
    assert ours.call("counts") == 4095
    assert not any(native_core.Frozen(0).feed((1, 1, 1)) for _ in range(300))


@given(st.integers(0, 6), st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_an_axis_is_frozen_as_by_its_twin(limit: int, seed: int) -> None:
    samples = np.random.default_rng(seed).integers(0, 2, (200, 3))
    ours, twin = native_core.Frozen(limit), FrozenRule(limit)
    for sample in samples:
        frozen = twin.feed(sample[None, :]) is not None
        assert ours.feed(sample) == frozen
        if frozen:
            assert ours.call("counts") == twin.counts


CONFIRM_MS, STUCK_MS = 20, 50
SLOW = SlowLimits(
    current_counts=800,
    current_least_counts=400,
    slow_confirm_ms=CONFIRM_MS,
    driven_us=1100,
    voltage_counts=650,
    supply_mv=4500,
    load_silence_ms=100,
    stuck_servo_counts=60,
    stuck_servo_ms=STUCK_MS,
    servo_min_us=1000,
    servo_max_us=2000,
    servo_low_counts=840,  # turns the other way round
    servo_high_counts=180,
)
HEALTHY = SlowCounts(512, 800, 510, -4, 5000, 12)
THROTTLE_US, SERVO_US = 1400, 1500
ANY_SLOW = {
    "current_counts": [0, 1, 399, 400, 512, 800, 801, 1022, 1023],
    "voltage_counts": [649, 650],
    "servo_counts": [449, 450, 510, 570, 571, 0xFFFF],
    "load_counts": [-4, 0x7FFFFE, 0x7FFFFF, -0x7FFFFF, -0x800000],
    "supply_mv": [0, 4499, 4500],
    "load_age_ms": [100, 101, 255],
}


def judged(
    rows: list[SlowCounts], throttle_us: int = THROTTLE_US, servo_us: int = SERVO_US, limits: SlowLimits = SLOW
) -> list[tuple[int, Reason, int]]:
    """Turn, reason and detail of each turn of 2 ms that trips, by both twins alike."""
    of = table({LimitId[name.upper()]: value for name, value in limits._asdict().items()})
    ours, twin = native_core.SlowRules(), SlowRules(limits)
    found = []
    for turn, counts in enumerate(rows):
        reason, told = ours.feed(of, astuple(counts), throttle_us, servo_us), twin.feed(counts, throttle_us, servo_us)
        assert reason == (Reason.NONE if told is None else Reason[told.name])
        if told is not None:
            assert ours.call("detail") == twin.detail
            found.append((turn, Reason(reason), twin.detail))
    return found


@pytest.mark.parametrize(
    ("shown", "reason", "after_ms"),
    [
        ({"current_counts": 800}, None, 0),
        ({"current_counts": 801}, Reason.OVER_CURRENT, CONFIRM_MS),
        ({"current_counts": 400}, None, 0),
        ({"current_counts": 399}, Reason.OVER_CURRENT, CONFIRM_MS),
        ({"current_counts": 0}, Reason.CURRENT_SENSOR, CONFIRM_MS),
        ({"current_counts": 1023}, Reason.CURRENT_SENSOR, CONFIRM_MS),
        ({"voltage_counts": 650}, None, 0),
        ({"voltage_counts": 649}, Reason.PACK_LOW, CONFIRM_MS),
        ({"supply_mv": 4500}, None, 0),
        ({"supply_mv": 4499}, Reason.SUPPLY_LOW, CONFIRM_MS),
        ({"supply_mv": 0}, Reason.SUPPLY_LOW, CONFIRM_MS),
        ({"load_counts": 0x7FFFFE}, None, 0),
        ({"load_counts": 0x7FFFFF}, Reason.LOAD_CELL, CONFIRM_MS),
        ({"load_counts": -0x7FFFFF}, None, 0),
        ({"load_counts": -0x800000}, Reason.LOAD_CELL, CONFIRM_MS),
        ({"load_age_ms": 100}, None, 0),
        ({"load_age_ms": 101}, Reason.LOAD_CELL, 0),
        ({"servo_counts": 570}, None, 0),
        ({"servo_counts": 571}, Reason.STUCK_SERVO, STUCK_MS),
        ({"servo_counts": 450}, None, 0),
        ({"servo_counts": 449}, Reason.STUCK_SERVO, STUCK_MS),
    ],
)
def test_a_slow_channel_trips_beyond_its_limit_after_its_time(
    shown: dict[str, int], reason: Reason | None, after_ms: int
) -> None:
    found = judged([replace(HEALTHY, **shown)] * 40)
    assert (found[0][:2] if found else (0, None)) == (after_ms // TICK_MS, reason)
    held = [replace(HEALTHY, **shown)] * max(after_ms // TICK_MS, 1)
    if after_ms:
        assert judged([*held, HEALTHY] * 5) == []  # counted anew each time


def test_a_pack_is_judged_only_while_driven_and_a_servo_only_with_a_pulse() -> None:
    low, stuck = replace(HEALTHY, voltage_counts=0), replace(HEALTHY, servo_counts=0)
    assert judged([low] * 40, throttle_us=1099) == [] and judged([low] * 40, throttle_us=1100) != []
    assert judged([stuck] * 40, servo_us=0) == [] and judged([stuck] * 40, servo_us=1000) != []


@given(
    st.lists(
        st.tuples(
            st.sampled_from([(name, value) for name, values in ANY_SLOW.items() for value in values]),
            st.integers(1, 30),
        ),
        max_size=20,
    ),
    st.sampled_from([1099, 1100]),
    st.sampled_from([0, 1000, 1333, 2000, 2001]),
)
@settings(max_examples=60)
def test_slow_channels_are_judged_as_by_the_twin(
    steps: list[tuple[tuple[str, int], int]], throttle_us: int, servo_us: int
) -> None:
    rows, now = [], HEALTHY
    for (name, value), turns in steps:
        now = replace(now, **{name: value})
        rows += [now] * turns
    judged(rows, throttle_us, servo_us)
