"""The integer rules against brute force, in every chunking."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.safety.device_rules import FrozenRule, HeartbeatRule, OverspeedRule, VibrationRule


def test_overspeed_permits_a_period_of_exactly_the_limit():
    rule = OverspeedRule(limit_ticks=20_000)
    assert not rule.feed(20_000)
    assert rule.feed(19_999)


def test_overspeed_needs_consecutive_short_periods():
    rule = OverspeedRule(limit_ticks=100, confirm=3)
    assert [rule.feed(period) for period in (99, 99, 100, 99, 99, 98)] == [False] * 5 + [True]


def test_overspeed_at_rest_starts_the_count_again():
    rule = OverspeedRule(limit_ticks=100, confirm=2)
    assert [rule.feed(period) for period in (50, 0, 50, 50)] == [False, False, False, True]


def test_overspeed_zero_limit_is_off():
    assert not any(OverspeedRule(0).feed(period) for period in range(50))


@given(st.lists(st.integers(0, 12), max_size=60), st.integers(1, 10), st.integers(0, 4))
def test_overspeed_equals_brute_force(periods, limit, confirm):
    rule = OverspeedRule(limit, confirm)
    need = max(1, confirm)
    for position, period in enumerate(periods, start=1):
        recent = periods[max(0, position - need) : position]
        assert rule.feed(period) == (len(recent) == need and all(0 < value < limit for value in recent))


def brute_force(first_index, counts, limit, window):
    """The definition, with exact fractions, one window after another."""
    for start in range(-(-first_index // window) * window, first_index + len(counts) - window + 1, window):
        block = counts[start - first_index : start - first_index + window].tolist()
        total = Fraction(0)
        for axis in zip(*block, strict=True):
            mean = Fraction(sum(axis), window)
            total += sum((value - mean) ** 2 for value in axis) / window
        if total > limit**2:
            return start + window - 1
    return None


@given(st.data())
def test_vibration_equals_brute_force_in_any_chunking(data):
    window = data.draw(st.sampled_from((8, 9, 16)))
    first = data.draw(st.integers(0, 40))
    seed = data.draw(st.integers(0, 2**32 - 1))
    counts = np.random.default_rng(seed).integers(-6, 7, (data.draw(st.integers(1, 90)), data.draw(st.integers(1, 3))))
    limit = data.draw(st.integers(1, 9))
    rule, answer, at = VibrationRule(limit, window), None, 0
    while at < len(counts) and answer is None:
        size = data.draw(st.integers(1, 40))
        answer = rule.feed(first + at, counts[at : at + size].astype(np.int16))
        at += size
    assert answer == brute_force(first, counts, limit, window)


def test_vibration_permits_exactly_the_limit():
    square = np.array([[5], [-5]] * 8, dtype=np.int16)  # RMS exactly 5
    assert VibrationRule(5, 16).feed(0, square) is None
    assert VibrationRule(4, 16).feed(0, square) == 15


def test_vibration_removes_the_mean_and_reports_rms():
    rule = VibrationRule(100, 16)
    offset = np.array([[255], [245]] * 8, dtype=np.int16)  # one g of gravity must not count
    assert rule.feed(0, offset) is None
    assert rule.rms_counts() == pytest.approx(5.0)


def test_vibration_full_scale_does_not_overflow():
    loud = np.array([[32767, -32768, 32767], [-32768, 32767, -32768]] * 128, dtype=np.int16)
    rule = VibrationRule(1, 256)
    assert rule.feed(0, loud) == 255
    assert rule.rms_counts() == pytest.approx(32767.5 * 3**0.5)


def test_vibration_skips_and_counts_a_window_with_a_gap():
    rule = VibrationRule(1, 8)
    loud = np.array([[50], [-50]] * 20, dtype=np.int16)
    assert rule.feed(0, loud[:5]) is None
    assert rule.feed(6, loud[:9]) is None  # sample 5 is missing: window 0 is not judged, 8..14 are not yet whole
    assert rule.windows_skipped == 1
    assert rule.feed(15, loud[:1]) == 15


def test_vibration_zero_limit_is_off():
    loud = np.array([[3000], [-3000]] * 8, dtype=np.int16)
    assert VibrationRule(0, 16).feed(0, loud) is None


def test_heartbeat_trips_after_the_limit_and_not_at_it():
    rule = HeartbeatRule(100)
    rule.heard(1_000)
    assert not rule.silent(101_000)
    assert rule.silent(101_001)


def test_heartbeat_never_heard_is_silent_and_not_fresh():
    rule = HeartbeatRule(100)
    assert rule.silent(0) and not rule.fresh(0)


def test_heartbeat_zero_limit_is_off():
    assert not HeartbeatRule(0).silent(10**9)


@given(st.data())
def test_a_frozen_axis_equals_brute_force_in_any_chunking(data):
    limit = data.draw(st.sampled_from((0, 3, 4)))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    counts = rng.integers(0, 2, (data.draw(st.integers(1, 60)), data.draw(st.integers(1, 3))))
    rule, answer, at = FrozenRule(limit), None, 0
    while at < len(counts) and answer is None:
        size = data.draw(st.sampled_from((1, 2, 3, 20)))
        found = rule.feed(counts[at : at + size].astype(np.int16))
        answer = None if found is None else at + found
        at += size
    equal = [last for last in range(limit, len(counts) + 1) if limit and _stands_still(counts[last - limit : last])]
    assert answer == (equal[0] - 1 if equal else None)


def _stands_still(counts):
    return bool((counts == counts[0]).all(axis=0).any())
