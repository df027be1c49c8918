"""Limit cycle and ringing of governed loops made of difference equations: what the loop's own formulas say of them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from governed_runs import governed_run

from whirlbench.analysis.governor import find_cycle, find_ringing, study
from whirlbench.analysis.speed_loop import SpeedChannel, speed_record
from whirlbench.recording.files import read_run
from whirlbench.results.tune import tune_answer
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run

GAIN, LAG_S, DEAD_S = 6.0, 0.35, 0.06
BARE = SpeedChannel("bare")


def drive(s: complex) -> complex:
    return GAIN * np.exp(-s * DEAD_S) / (LAG_S * s + 1.0)


def critical() -> tuple[float, float]:
    """Angular frequency and proportional gain (with an integral time of one lag) at which the loop just swings.

    With that integral time the loop is K gain e^(-sL) / (T s): quarter-turn of the dead time at w = pi / (2 L).
    """
    omega = math.pi / (2.0 * DEAD_S)
    return omega, LAG_S * omega / GAIN


def pi_run(factor: float, limit_us: float = math.inf, gust_rpm: float = 0.0, duration_s: float = 14.0) -> Run:
    kp = factor * critical()[1]

    def law(error: float, integral: float) -> float:
        return float(np.clip(kp * (error + integral / LAG_S), -limit_us, limit_us))

    return governed_run(law, duration_s, np.random.default_rng(3), gust_rpm)


def test_a_relay_loop_swings_as_its_exact_solution_says() -> None:
    """LOOP-11 of the check values (exact, relay with hysteresis on a lag with dead time): T 10, L 2 in other units."""
    k, h, eps, lag, dead = GAIN * 10.0, 10.0, 3.0, 0.35, 0.07
    amplitude = k - (k - eps) * math.exp(-dead / lag)
    period = 2.0 * (dead + lag * math.log((k + amplitude) / (k - eps)))
    state = [h]

    def law(error: float, integral: float) -> float:
        if abs(error) > eps:
            state[0] = math.copysign(h, error)
        return state[0]

    run = governed_run(law, 12.0, np.random.default_rng(1), lag_s=lag, dead_s=dead)
    cycle = find_cycle(run, speed_record(run, BARE))
    assert cycle is not None and cycle.course == "is steady"
    assert 1.0 / cycle.frequency_hz == pytest.approx(period, rel=0.01)
    answer = GAIN * np.exp(-2j * math.pi * cycle.frequency_hz * dead) / (2j * math.pi * cycle.frequency_hz * lag + 1.0)
    assert cycle.drive_rpm_per_us == pytest.approx(abs(answer), rel=0.03)
    assert math.remainder(cycle.drive_phase_deg - math.degrees(np.angle(answer)), 360.0) == pytest.approx(0.0, abs=5.0)


def test_a_held_back_loop_tells_the_margin_of_the_gains_loaded() -> None:
    """Gains 1.5 times the critical ones behind limits of the pulse: the cycle is at the critical frequency."""
    omega, kp = critical()
    run = pi_run(1.5, limit_us=12.0)
    rig = parse_rig(example_rig_text())
    own = replace_governor(rig, 1.5 * kp, 1.5 * kp / LAG_S)
    cycle = find_cycle(run, speed_record(run, BARE), own)
    assert cycle is not None
    assert cycle.frequency_hz == pytest.approx(omega / (2.0 * math.pi), rel=0.05)
    assert cycle.gain_margin == pytest.approx(1.0, abs=0.05)
    assert cycle.lever == "throttle" and cycle.pulse_us == pytest.approx(4.0 * 12.0 / math.pi, rel=0.2)


def replace_governor(rig, kp: float, ki: float):
    import msgspec

    governor = msgspec.structs.replace(rig.governor, mode="throttle", kp_us_per_rpm=kp, ki_us_per_rpm_s=ki)
    return msgspec.structs.replace(rig, governor=governor)


def test_a_growing_swing_tells_by_how_much_the_gain_is_too_high() -> None:
    run = pi_run(1.03, duration_s=9.0)
    cycle = find_cycle(run, speed_record(run, BARE))
    assert cycle is not None and cycle.course == "grows"
    assert cycle.gain_margin == pytest.approx(1.0 / 1.03, abs=0.01)


def test_a_loop_with_margin_has_no_cycle_but_rings_at_its_pole() -> None:
    run = pi_run(0.55, gust_rpm=20.0, duration_s=40.0)
    record = speed_record(run, BARE)
    assert find_cycle(run, record) is None
    ringing = find_ringing(run, record)
    assert ringing is not None
    pole = complex(-2.0, 15.0)  # Newton's method on s T e^(sL) + K gain = 0
    for _ in range(50):
        value = pole * LAG_S * np.exp(pole * DEAD_S) + 0.55 * critical()[1] * GAIN
        slope = LAG_S * np.exp(pole * DEAD_S) * (1.0 + pole * DEAD_S)
        pole -= value / slope
    assert ringing.natural_hz == pytest.approx(abs(pole) / (2.0 * math.pi), rel=0.12)
    assert ringing.damping_ratio == pytest.approx(-pole.real / abs(pole), abs=0.12)


def test_a_calm_governed_hold_neither_swings_nor_rings() -> None:
    run = pi_run(0.15, gust_rpm=5.0, duration_s=40.0)
    record = speed_record(run, BARE)
    assert find_cycle(run, record) is None and find_ringing(run, record) is None


def test_the_demo_of_a_hunting_governor_is_told_with_its_fundamental() -> None:
    """A saw tooth of some 900 rpm peak to peak, 0.73 s long, by eye; its second harmonic is the clearest line."""
    run = read_run(Path(__file__).resolve().parents[2] / "recordings" / "governor_hunting.h5")
    cycle = find_cycle(run, speed_record(run))
    assert cycle is not None and cycle.course == "is steady" and cycle.lever is None
    assert cycle.frequency_hz == pytest.approx(1.0 / 0.73, rel=0.05)
    assert cycle.amplitude_rpm == pytest.approx(370.0, rel=0.15)


def test_hunting_is_an_answer_of_tune_without_a_step() -> None:
    answer = tune_answer(study(pi_run(1.5, limit_us=12.0), channel=BARE))
    assert "swings by itself" in answer.headline
    assert any("gain margin of 1.0" in line.text and line.level.value == "danger" for line in answer.remarks)
    assert answer.as_document()["limit_cycle"]["frequency_hz"] == pytest.approx(1.0 / (4.0 * DEAD_S), rel=0.05)
    assert answer.verdict.value == "in part"
