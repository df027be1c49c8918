"""Identify, advise, load, re-test on simulated stands: a seeded, short version of the campaign in the benchmarks."""

from __future__ import annotations

import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from whirlbench.analysis.governor import Advice, advise, prove
from whirlbench.analysis.governor.loop_study import plausible_loads
from whirlbench.analysis.governor.proof import Band
from whirlbench.analysis.speed_loop import identify
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run
from whirlbench.simulator.runs import simulate_run
from whirlbench.simulator.stand import PlantSettings, Schedule, SetPoint

BASE_US, PITCH_DEG = 1450.0, 11.0


def open_loop(stand: PlantSettings, rng: np.random.Generator) -> Run:
    points = [SetPoint(1.0, throttle_us=BASE_US, pitch_deg=PITCH_DEG, ramp_s=2.0)]
    points += [SetPoint(6.0 + 3.0 * k, throttle_us=BASE_US + 40.0 * (k % 2 == 0)) for k in range(4)]
    points += [SetPoint(18.0 + 3.0 * k, pitch_deg=PITCH_DEG + 4.0 * (k % 2 == 0)) for k in range(4)]
    return simulate_run(stand, Schedule(tuple(points), 30.0), rng, vibration_rate_hz=0)


def governed(stand: PlantSettings, advice: Advice, rng: np.random.Generator, times_kp: float = 1.0) -> Run:
    own = msgspec.structs.replace(
        stand.rig.governor, mode="throttle", kp_us_per_rpm=times_kp * advice.kp, ki_us_per_rpm_s=times_kp * advice.ki
    )
    speed = round(advice.speed_rpm)
    points = (
        SetPoint(1.0, throttle_us=BASE_US, pitch_deg=PITCH_DEG, ramp_s=2.0),
        SetPoint(5.0, request_rpm=speed),
        SetPoint(8.0, request_rpm=round(1.05 * speed)),
        SetPoint(11.0, request_rpm=speed),
        SetPoint(14.0, pitch_deg=PITCH_DEG + 4.0),
    )
    loaded = replace(stand, rig=msgspec.structs.replace(stand.rig, governor=own))
    return simulate_run(loaded, Schedule(points, 17.0), rng, vibration_rate_hz=0)


@pytest.fixture(scope="module")
def proven():
    """Four random stands through the whole job: (advice, verdicts, re-test) of each."""
    cases = []
    for seed in range(4):
        rng = np.random.default_rng([11, seed])
        stand = PlantSettings.random(rng)
        loop = identify(open_loop(stand, rng), stand.rig)
        advice = advise(loop, stand.rig)
        run = governed(stand, advice, rng)
        cases.append((advice, prove(run, advice, rng, plausible_loads(loop)["pitch"], stand.rig), run))
    return cases


def test_every_re_tested_step_is_judged(proven):
    for _, verdicts, _ in proven:
        assert [verdict.step.kind for verdict in verdicts] == ["request", "request", "pitch"]


def test_overshoot_and_recovery_lie_within_the_prediction(proven):
    """At least 95 % is asked of a hundred stands; of these twelve figures at most one may fall out."""
    held = [
        verdict.forecast.figures[name].holds(verdict.measured[name])
        for _, verdicts, _ in proven
        for verdict in verdicts
        for name in ("overshoot_pct", "recovery_s")
        if name in verdict.measured
    ]
    assert len(held) == 12
    assert sum(held) >= 11


def test_no_stand_swings(proven):
    for advice, _, run in proven:
        for end in (8.0, 11.0, 14.0, 17.0):
            late = (run.slow.time_s > end - 1.0) & (run.slow.time_s < end)
            assert np.ptp(run.slow.channel("rpm")[late]) < 0.02 * advice.speed_rpm


def test_the_curve_lies_in_its_band(proven):
    parts = []
    for _, verdicts, _ in proven:
        for verdict in verdicts:
            forecast = verdict.forecast
            before = np.nanmean(verdict.curve.speed_rpm[verdict.curve.since_s < 0.0])
            moved = np.interp(forecast.since_s, verdict.curve.since_s, verdict.curve.speed_rpm - before)
            parts.append(np.mean((moved >= forecast.low_rpm - 5.0) & (moved <= forecast.high_rpm + 5.0)))
    assert np.mean(parts) > 0.95


def test_gains_that_were_not_those_advised_are_found_out():
    """Two and a half times the gain on the stand: the verdict must not be "as predicted"."""
    rng = np.random.default_rng(5)
    stand = PlantSettings.random(rng)
    loop = identify(open_loop(stand, rng), stand.rig)
    advice = advise(loop, stand.rig)
    run = governed(stand, advice, rng, times_kp=2.5)
    assert not all(verdict.agrees for verdict in prove(run, advice, rng, plausible_loads(loop)["pitch"], stand.rig))


def test_other_gains_in_the_rig_are_refused(proven):
    advice, _, run = proven[0]
    own = msgspec.structs.replace(
        Rig().governor, mode="throttle", kp_us_per_rpm=2.0 * advice.kp, ki_us_per_rpm_s=advice.ki
    )
    with pytest.raises(AnalysisError, match="load those and run the re-test again"):
        prove(run, advice, np.random.default_rng(1), (), Rig(governor=own))


def test_a_run_without_governed_steps_is_no_re_test():
    rng = np.random.default_rng(6)
    stand = PlantSettings.random(rng)
    run = open_loop(stand, rng)
    advice = advise(identify(run, stand.rig), stand.rig)
    with pytest.raises(AnalysisError, match="while the governor held the speed"):
        prove(run, advice, rng, (), stand.rig)


def test_a_band_that_is_open_holds_what_never_settles():
    assert Band(0.1, 0.2, math.inf).holds(math.nan)
    assert not Band(0.1, 0.2, 0.3).holds(math.nan)
    assert Band(0.1, 0.2, 0.3).holds(0.3)
