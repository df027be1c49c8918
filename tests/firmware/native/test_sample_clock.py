"""Times of the accelerometer's samples: the sensor runs on its own clock and is asked at uneven moments."""

from __future__ import annotations

import native_core
import numpy as np
import pytest


def polled(factor: float, loop_us: tuple[float, float], count: int, start_us: float = 0.0) -> tuple[np.ndarray, ...]:
    """True and told times of ``count`` samples, and the period told beside each."""
    rng = np.random.default_rng(8)
    period_us = 625.0 / factor
    clock = native_core.SampleClock(625_000, int(start_us) & 0xFFFFFFFF)
    true, told, periods = [], [], []
    now_us, number = start_us, 0
    while number < count:
        now_us += rng.uniform(*loop_us)
        waiting = int((now_us - start_us) / period_us) - number
        clock.call("poll", waiting, int(now_us) & 0xFFFFFFFF)
        for _ in range(min(waiting, 8)):
            number += 1
            true.append(start_us + number * period_us)
            told.append(clock.call("next_us"))
            periods.append(clock.call("period_ns"))
    return np.array(true), np.array(told, dtype=np.int64), np.array(periods)


@pytest.mark.parametrize("factor", [0.97, 1.0, 1.03])
def test_times_follow_the_sensors_own_clock(factor: float) -> None:
    true, told, periods = polled(factor, (200, 400), 30_000)
    settled = slice(9000, None)
    error_us = told[settled] - true[settled]
    assert np.abs(error_us).max() < 400  # no worse than one turn of the loop
    assert np.diff(told[settled]).std() < 15  # and smooth within: what a spectrum sees
    assert periods[settled] == pytest.approx(625_000 / factor, rel=3e-4)


def test_times_never_run_backwards_even_with_a_slow_loop() -> None:
    _, told, _ = polled(1.01, (200, 4000), 20_000)
    assert np.diff(told).min() > 0


def test_the_clock_may_wrap() -> None:
    true, told, _ = polled(1.0, (200, 400), 20_000, start_us=2**32 - 8e6)
    error_us = (told - true.astype(np.int64) + 2**31) % 2**32 - 2**31
    assert np.abs(error_us[9000:]).max() < 400


def test_lost_samples_are_counted_by_the_time_that_passed() -> None:
    clock = native_core.SampleClock(625_000, 0)
    for number in range(1, 1001):
        clock.call("poll", 1, 625 * number)
        clock.call("next_us")
    now_us = 625 * 1150  # 150 samples later the FIFO holds 32
    assert clock.call("skip", 32, now_us) == 118
    assert clock.call("next_us") == pytest.approx(now_us - 32 * 625, abs=700)
