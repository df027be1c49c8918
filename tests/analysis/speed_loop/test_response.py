"""Figures read off a curve are those of the curve, and noise is not called a figure."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.analysis.speed_loop import Curve, LoopModel, SpeedRecord, Step, step_curve, unit_answer
from whirlbench.analysis.speed_loop.models import second_order_figures
from whirlbench.analysis.speed_loop.response import find_hunting, read_response, smoothed_speed

SINCE = np.arange(-0.5, 6.0, 0.002)
THROTTLE = Step("throttle", 10.0, 0.0, 1500.0, 1550.0, 2.0, 6.0)
PITCH = Step("pitch", 10.0, 0.0, 10.0, 12.0, 2.0, 6.0)


def curve_of(moved: np.ndarray, before: float = 4000.0) -> Curve:
    return Curve(SINCE, before + moved, 0.02)


def test_figures_of_an_under_damped_pair():
    expected = second_order_figures(0.4, 6.0)
    moved = 300.0 * unit_answer(LoopModel("second_order", 1.0, 0.0, math.nan, 0.4, 6.0), SINCE)
    found = read_response(curve_of(moved), THROTTLE, 4000.0, 0.0, 0.1)
    assert found.change_rpm == pytest.approx(300.0, rel=1e-3)
    assert found.overshoot_pct == pytest.approx(100.0 * expected["overshoot"], abs=0.1)
    assert found.peak_time_s == pytest.approx(expected["peak_time_s"], abs=0.003)
    assert found.rise_time_0_100_s == pytest.approx(expected["rise_time_s"], abs=0.003)
    assert found.settling_time_s <= expected["settling_2pct_s"] * 1.05
    assert found.settling_5pct_s < found.settling_time_s


def test_figures_of_one_lag():
    """10 to 90 % of one lag takes ln 9 = 2.197 lags, 2 % is reached after ln 50 = 3.912 of them."""
    moved = -200.0 * unit_answer(LoopModel("first_order", 1.0, 0.0, 0.3), SINCE)
    found = read_response(curve_of(moved), THROTTLE, 4000.0, 0.0, 0.1)
    assert found.rise_time_s == pytest.approx(0.3 * math.log(9.0), abs=0.002)
    assert found.settling_time_s == pytest.approx(0.3 * math.log(50.0), abs=0.005)
    assert (found.overshoot_pct, math.isnan(found.peak_time_s)) == (0.0, True)


def test_drift_is_taken_off():
    moved = 200.0 * unit_answer(LoopModel("first_order", 1.0, 0.0, 0.3), SINCE) - 8.0 * SINCE
    found = read_response(curve_of(moved), THROTTLE, 4000.0, -8.0, 0.1, request_rpm=4150.0)
    assert found.change_rpm == pytest.approx(200.0, rel=2e-3)
    assert found.steady_error_rpm == pytest.approx(4150.0 - 4200.0 + 8.0 * 6.0, abs=0.5)


def test_noise_is_no_overshoot():
    rng = np.random.default_rng(1)
    moved = 200.0 * unit_answer(LoopModel("first_order", 1.0, 0.0, 0.3), SINCE) + rng.normal(0.0, 2.0, len(SINCE))
    assert read_response(curve_of(moved), THROTTLE, 4000.0, 0.0, 3.0).overshoot_pct == 0.0


def test_governed_pitch_step_has_deviation_and_recovery():
    moved = -np.where(SINCE > 0, 500.0 * SINCE * np.exp(-SINCE / 0.2), 0.0)
    found = read_response(curve_of(moved), PITCH, 4000.0, 0.0, 0.1, request_rpm=4000.0)
    assert found.deviation_rpm == pytest.approx(-500.0 * 0.2 / math.e, rel=1e-3)
    part = SINCE / 0.2 * np.exp(1.0 - SINCE / 0.2)
    assert found.recovery_s == pytest.approx(SINCE[np.flatnonzero(part > 0.1)[-1]], abs=0.004)
    assert found.droop_rpm == pytest.approx(0.0, abs=0.1)


def test_smoothing_is_exact_on_a_steady_ramp():
    edges = np.cumsum(np.full(400, 0.0123))
    record = SpeedRecord(edges, 3000.0 + 50.0 * (edges[1:] + edges[:-1]) / 2.0, True, "tach")
    at = np.linspace(1.0, 3.0, 50)
    assert smoothed_speed(record, at, 0.1) == pytest.approx(3000.0 + 50.0 * at, abs=0.05)
    assert np.isnan(smoothed_speed(record, np.array([-1.0, 99.0]), 0.1)).all()


def test_a_curve_without_speeds_is_empty():
    empty = SpeedRecord(np.empty(0), np.empty(0), True, "tach")
    assert len(step_curve(empty, THROTTLE, 0.3).since_s) == 0


def hold(swing_rpm: float, seed: int = 1) -> SpeedRecord:
    time = np.arange(0.0, 8.0, 0.015)
    rng = np.random.default_rng(seed)
    speed = 4000.0 + swing_rpm * np.sin(2.0 * np.pi * 2.3 * time) + rng.normal(0.0, 4.0, len(time))
    return SpeedRecord(time, speed, False, "rpm")


def test_hunting_has_amplitude_and_frequency():
    found = find_hunting(hold(6.0), 0.0, 8.0)
    assert found is not None
    assert (found.amplitude_rpm, found.frequency_hz) == pytest.approx((6.0, 2.3), rel=0.1)


def test_noise_alone_does_not_hunt():
    """Twenty quiet holds at a false alarm of 0.1 % each."""
    assert all(find_hunting(hold(0.0, seed), 0.0, 8.0) is None for seed in range(20))


def test_a_wandering_speed_does_not_hunt():
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 8.0, 0.015)
    wander = np.zeros(len(time))
    for index in range(1, len(time)):
        wander[index] = 0.99 * wander[index - 1] + rng.normal()
    assert find_hunting(SpeedRecord(time, 4000.0 + 3.0 * wander, False, "rpm"), 0.0, 8.0) is None
