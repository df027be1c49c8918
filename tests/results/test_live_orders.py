"""Levels of the orders are the amplitudes that a made signal has, and nothing where nothing can be told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.results.live_orders import OrderWatch
from whirlbench.samples import Run, SlowSamples, VibrationSamples

RATE_HZ, SHAFT_HZ = 1600.0, 60.0


def tail_at(end_s: float, one_g: float, pass_g: float = 0.2, shaft_hz: float = SHAFT_HZ):
    """The last seconds up to ``end_s`` of a four-blade propeller that shakes with 1P and blade pass."""

    def tail(seconds: float) -> Run:
        slow_s, time_s = (np.arange(end_s - seconds, end_s, step) for step in (0.002, 1.0 / RATE_HZ))
        turn = 2 * np.pi * shaft_hz * time_s
        wave = one_g * np.cos(turn + 0.3) + pass_g * np.cos(4 * turn)
        slow = SlowSamples(slow_s, rpm=np.full(len(slow_s), 60.0 * shaft_hz))
        return Run(slow=slow, vibration=VibrationSamples(time_s, ay_g=wave, rate_hz=RATE_HZ))

    return tail


def by_name(levels) -> dict[str, float]:
    return {one.name: one.level_g for one in levels}


def test_each_order_has_the_amplitude_of_the_signal() -> None:
    found = by_name(OrderWatch(4).look(10.0, tail_at(10.0, 0.5)))
    assert found == {
        "1P": pytest.approx(0.5, rel=0.01), "2P": pytest.approx(0.0, abs=0.01),
        "4P, blade pass": pytest.approx(0.2, rel=0.02), "8P": pytest.approx(0.0, abs=0.01),
    }  # fmt: skip


def test_the_band_is_that_of_the_last_minute() -> None:
    watch = OrderWatch(4)
    for at_s, one_g in ((10.0, 2.0), (80.0, 0.3), (90.0, 0.7), (100.0, 0.5)):
        first = watch.look(at_s, tail_at(at_s, one_g))[0]
    assert (first.level_g, first.least_g, first.greatest_g) == pytest.approx((0.5, 0.3, 0.7), rel=0.02)
    assert first.words() == "0.50 g, in the last minute 0.30 to 0.70"


def test_it_is_computed_once_a_second() -> None:
    watch = OrderWatch(4)
    before = watch.look(10.0, tail_at(10.0, 0.5))
    assert watch.look(10.5, tail_at(10.5, 5.0)) is before
    assert watch.look(11.0, tail_at(11.0, 5.0)) is not before


@pytest.mark.parametrize("tail", [lambda seconds: Run(), tail_at(10.0, 0.5, shaft_hz=0.0)], ids=["nothing", "at rest"])
def test_without_a_reading_there_is_no_level(tail) -> None:
    levels = OrderWatch(4).look(10.0, tail)
    assert all(math.isnan(one.level_g) for one in levels)
    assert {one.words() for one in levels} == {"no reading"}


def test_a_propeller_of_two_blades_and_one_that_nobody_described() -> None:
    assert OrderWatch(2).names == ("1P", "2P, blade pass", "4P")
    assert OrderWatch(None).names == ("1P", "2P")
