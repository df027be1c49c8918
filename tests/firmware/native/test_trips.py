"""The sketch's trip rules against their Python twins, sample by sample, and against plain statements of them."""

from __future__ import annotations

import math

import native_core
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.safety.device_rules import HeartbeatRule, OverspeedRule, VibrationRule

U32 = 0xFFFFFFFF
ANY_COUNT = st.integers(-32768, 32767)


@given(
    st.integers(0, 30_000),
    st.integers(0, 10),
    st.lists(st.one_of(st.integers(0, 40_000), st.integers(0, U32)), max_size=300),
)
@settings(max_examples=200)
def test_overspeed_decides_as_its_twin_at_every_period(limit: int, confirm: int, periods: list[int]) -> None:
    ours, twin = native_core.Overspeed(limit, confirm), OverspeedRule(limit, confirm)
    assert [bool(ours.call("feed", period)) for period in periods] == [twin.feed(period) for period in periods]


def test_overspeed_permits_the_limit_itself_and_trips_one_tick_below() -> None:
    rule = native_core.Overspeed(12_000, 1)
    assert not rule.call("feed", 12_000)
    assert rule.call("feed", 11_999)


def test_overspeed_keeps_tripping_beyond_the_range_of_its_counter() -> None:
    rule = native_core.Overspeed(12_000, 10)
    answers = [bool(rule.call("feed", 100)) for _ in range(600)]
    assert answers == [False] * 9 + [True] * 591


def feed_both(limit: int, window: int, index: int, samples: np.ndarray) -> tuple[list[int], list[int], list[int]]:
    """Sample numbers at which either twin trips, and those where their windows' values differ."""
    ours, twin = native_core.Vibration(limit, window), VibrationRule(limit, window)
    trips, twin_trips, differing = [], [], []
    for number, sample in enumerate(samples, start=index):
        if ours.feed(number, sample):
            trips.append(number)
        if twin.feed(number, sample[None, :]) is not None:
            twin_trips.append(number)
        if ours.call("value") != twin.last_value:
            differing.append(number)
    return trips, twin_trips, differing


@given(
    st.integers(0, 65_535),
    st.integers(8, 256),
    st.integers(0, 1 << 31),
    st.integers(0, 2**32 - 1),
    st.sampled_from([3, 300, 4_096, 32_768]),
)
@settings(max_examples=60)
def test_vibration_decides_as_its_twin_at_every_sample(
    limit: int, window: int, index: int, seed: int, span: int
) -> None:
    rng = np.random.default_rng(seed)
    samples = rng.integers(-span, span, (700, 3))
    trips, twin_trips, differing = feed_both(limit % (2 * span), window, index, samples)
    assert trips == twin_trips
    assert differing == []


@pytest.mark.parametrize("window", [8, 100, 256])
def test_vibration_stays_exact_at_the_ends_of_the_counts(window: int) -> None:
    """Squares of full-scale samples pass 32 bits: carries must not be lost."""
    ends = np.where(np.arange(2 * window) % 2, 32767, -32768)[:, None].repeat(3, axis=1)
    trips, twin_trips, differing = feed_both(56_754, window, 0, ends)  # RMS is sqrt(3) * 32767.5 = 56755.0
    assert differing == []
    assert trips == twin_trips == [window - 1, 2 * window - 1]
    still = np.full((window, 3), -32768)
    ours = native_core.Vibration(1, window)
    assert not any(ours.feed(number, sample) for number, sample in enumerate(still))
    assert ours.call("value") == 0


def test_vibration_permits_the_limit_itself() -> None:
    """Samples of +10 and -10 have an RMS of exactly 10."""
    for limit, expected in [(10, False), (9, True)]:
        rule = native_core.Vibration(limit, 8)
        assert [rule.feed(number, (0, 10 - 20 * (number % 2), 77)) for number in range(8)][-1] is expected


def test_vibration_gaps_and_odd_starts_are_judged_as_the_twin_does() -> None:
    rng = np.random.default_rng(5)
    ours, twin = native_core.Vibration(50, 16), VibrationRule(50, 16)
    index = 7
    for _ in range(3000):
        sample = rng.normal(0, 29, 3).round().astype(int)
        assert ours.feed(index, sample) == (twin.feed(index, sample[None, :]) is not None)
        assert ours.call("value") == twin.last_value
        index += 1 if rng.random() > 0.02 else int(rng.integers(2, 60))


def test_vibration_aligns_anew_when_the_running_number_wraps() -> None:
    ours = native_core.Vibration(1, 100)  # 2^32 is no multiple of 100
    shaken = [(number & U32, (0, 0, 500 * (number % 2))) for number in range(2**32 - 250, 2**32 + 100)]
    trips = [number for number, sample in shaken if ours.feed(number, sample)]
    assert trips == [2**32 - 97, 99]  # the window cut by the wrap is not judged


def test_vibration_rms_is_the_textbook_figure_rounded_down() -> None:
    rng = np.random.default_rng(6)
    samples = rng.normal((0, 10, 256), (40, 20, 30), (64, 3)).round().astype(int)
    ours = native_core.Vibration(60_000, 64)
    for number, sample in enumerate(samples):
        ours.feed(number, sample)
    expected = math.sqrt(samples.var(axis=0).sum())
    assert ours.call("rms_counts") == math.floor(expected)


@given(st.one_of(st.integers(0, 2**64 - 1), st.integers(0, 2**32 - 1).map(lambda root: root * root)))
@settings(max_examples=300)
def test_square_root_is_exact(value: int) -> None:
    _, lib = native_core.library()
    assert lib.core_square_root(value) == math.isqrt(value)


@given(st.integers(20, 2000), st.lists(st.tuples(st.integers(0, 400_000), st.booleans()), max_size=100))
@settings(max_examples=200)
def test_heartbeat_decides_as_its_twin(limit_ms: int, steps: list[tuple[int, bool]]) -> None:
    ours, twin = native_core.Heartbeat(limit_ms), HeartbeatRule(limit_ms)
    now_us = 2**32 - 3_000_000  # so that the sketch's clock wraps on the way
    for wait_us, heard in steps:
        now_us += wait_us
        if heard:
            ours.call("heard", now_us & U32)
            twin.heard(now_us)
        assert bool(ours.call("fresh", now_us & U32)) == twin.fresh(now_us)


def test_heartbeat_silence_longer_than_the_clock_is_still_silence() -> None:
    ours = native_core.Heartbeat(100)
    ours.call("heard", 0)
    for second in range(0, 2 * 4295):
        ours.call("fresh", second * 1_000_000 & U32)
    assert not ours.call("fresh", (2**32 + 50_000) & U32)
