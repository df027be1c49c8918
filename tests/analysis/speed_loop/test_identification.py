"""Identification: the truth comes back, with honest errors, and what cannot be told is refused by name."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.speed_loop import identify
from whirlbench.errors import AnalysisError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples, TachPulses

LAG = LinearDrive(6.0, 0.08, time_constant_s=0.35)
PAIR = LinearDrive(7.0, 0.05, damping_ratio=0.4, natural_frequency_rad_s=9.0)
TWO_LAGS = LinearDrive(5.0, 0.04, damping_ratio=1.6, natural_frequency_rad_s=7.0)
SHAKEN = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=0.3, drift_rpm_per_s=-3.0, missed=0.01)


def there_and_back(
    count: int, change: float = 50.0, lever: str = "throttle_us", ramp_s: float = 0.0
) -> list[LeverStep]:
    return [LeverStep(lever, 4.0 + 4.0 * k, change * (-1.0) ** k, ramp_s) for k in range(count)]


def run_of(drive: LinearDrive, steps: list[LeverStep], seed: int = 1, **options) -> Run:
    end = max(step.at_s for step in steps) + 4.0
    options.setdefault("faults", SHAKEN)
    return record_steps({steps[0].lever: drive}, steps, end, np.random.default_rng(seed), **options)


def assert_near(found: dict[str, float], stderr: dict[str, float], truth: LinearDrive, within: float = 4.0):
    for name, value in found.items():
        assert value == pytest.approx(getattr(truth, name), abs=within * stderr[name] + 1e-9), name


@pytest.mark.parametrize("tach", [True, False], ids=["edges", "held channel"])
@pytest.mark.parametrize(("drive", "form"), [(LAG, "first_order"), (PAIR, "second_order")])
def test_truth_comes_back(drive, form, tach):
    loop = identify(run_of(drive, there_and_back(4), tach=tach))
    assert [result.problem for result in loop.steps] == [""] * 4
    for result in loop.steps:
        assert result.choice.fit.model.form == form
        assert_near(result.choice.fit.model.parameters(), result.choice.fit.stderr(), drive)
    (pooled,) = loop.pooled
    assert (pooled.kind, pooled.steps, pooled.model.form) == ("throttle", 4, form)
    assert_near(pooled.model.parameters(), pooled.stderr(), drive)
    assert not pooled.unlike()


def test_a_short_second_lag_shows_when_steps_are_pooled():
    """A lag of 50 ms behind one of 400: a single noisy step may not show it, four together do."""
    (pooled,) = identify(run_of(TWO_LAGS, there_and_back(4))).pooled
    assert pooled.model.form == "second_order"
    assert_near(pooled.model.parameters(), pooled.stderr(), TWO_LAGS)


def test_pooling_halves_the_error_of_four_steps():
    loop = identify(run_of(LAG, there_and_back(4)))
    single = np.median([result.choice.fit.stderr()["gain"] for result in loop.steps])
    assert loop.pooled[0].choice.fit.stderr()["gain"] == pytest.approx(single / 2.0, rel=0.3)


def test_slewed_steps_have_the_same_dead_time():
    loop = identify(run_of(LAG, there_and_back(2, ramp_s=0.1)))
    assert_near(loop.pooled[0].model.parameters(), loop.pooled[0].stderr(), LAG, within=5.0)


def test_drift_is_told_from_gain():
    faults = TachFaults(jitter_s=5e-6, drift_rpm_per_s=-15.0)
    result = identify(run_of(LAG, there_and_back(1), faults=faults)).steps[0]
    assert result.choice.fit.drift_rpm_per_s[0] == pytest.approx(-15.0, abs=0.5)
    assert result.choice.fit.model.gain == pytest.approx(6.0, rel=0.01)


def test_graphical_fit_stands_beside():
    result = identify(run_of(LAG, there_and_back(1))).steps[0]
    smith = result.graphical[0]
    assert (smith.time_constant_s, smith.dead_time_s) == pytest.approx((0.35, 0.08), abs=0.03)


def test_a_drive_that_differs_from_step_to_step_is_called_unlike():
    quick, slow = LinearDrive(6.0, 0.05, time_constant_s=0.2), LinearDrive(5.0, 0.05, time_constant_s=0.5)
    steps = [LeverStep("throttle_us", 4.0, 50.0), LeverStep("other", 8.0, 50.0)]
    run = record_steps({"throttle_us": quick}, steps[:1], 12.0, np.random.default_rng(1), faults=SHAKEN)
    other = record_steps(
        {"throttle_us": slow}, [replace(steps[0], at_s=4.0)], 12.0, np.random.default_rng(2), faults=SHAKEN
    )
    loop = identify(joined(run, other))
    assert loop.pooled[0].unlike()
    assert loop.pooled[0].stderr()["time_constant_s"] > 0.05


def joined(run: Run, other: Run) -> Run:
    """Two runs one after another; the levers come back in between."""
    shift = 12.0
    slow = SlowSamples(
        np.concatenate([run.slow.time_s, other.slow.time_s + shift]),
        rpm=np.concatenate([run.slow.rpm, other.slow.rpm]),
        throttle_us=np.concatenate([run.slow.throttle_us, other.slow.throttle_us]),
    )
    return Run(slow, TachPulses(np.concatenate([run.tach.time_s, other.tach.time_s + shift])))


# --- what must be refused, or flagged ------------------------------------------------------------------------------


def test_a_record_without_steps_says_what_to_record():
    run = record_steps({"throttle_us": LAG}, [], 8.0, np.random.default_rng(1))
    with pytest.raises(AnalysisError, match="no step of throttle, request or pitch"):
        identify(run)


def test_a_record_without_speed_says_so():
    with pytest.raises(AnalysisError, match="no tach pulses and no rpm"):
        identify(Run(SlowSamples(np.arange(5.0), throttle_us=np.full(5, 1500.0))))


def test_a_step_that_never_settled_is_not_believed():
    slow = LinearDrive(6.0, 0.08, time_constant_s=5.0)
    run = record_steps(
        {"throttle_us": slow}, [LeverStep("throttle_us", 4.0, 50.0)], 7.0, np.random.default_rng(1), faults=SHAKEN
    )
    with pytest.raises(AnalysisError, match="never settled"):
        identify(run)


def test_overlapping_steps_are_refused():
    drives = {"throttle_us": LAG, "servo_us": LinearDrive(-1.0, 0.05, time_constant_s=0.3)}
    steps = [LeverStep("throttle_us", 4.0, 50.0), LeverStep("servo_us", 4.15, 60.0)]
    run = record_steps(drives, steps, 9.0, np.random.default_rng(1), faults=SHAKEN)
    with pytest.raises(AnalysisError, match="overlap"):
        identify(run, parse_rig(example_rig_text()))


def test_a_step_begun_before_the_last_one_settled_is_flagged():
    slow = LinearDrive(6.0, 0.08, time_constant_s=0.6)
    steps = [LeverStep("throttle_us", at, change) for at, change in ((4.0, 50.0), (5.0, 50.0), (9.0, -50.0))]
    loop = identify(run_of(slow, steps))
    assert [bool(result.problem) for result in loop.steps] == [True, True, False]
    assert loop.pooled[0].steps == 1


def test_a_saturated_throttle_is_flagged():
    rig = parse_rig(example_rig_text())
    with pytest.raises(AnalysisError, match="saturated"):
        identify(run_of(LAG, there_and_back(1), levels={"throttle_us": 1870.0}), rig)


def test_a_governed_throttle_at_its_end_is_flagged():
    drive = LinearDrive(0.5, 0.05, time_constant_s=0.3)
    run = run_of(drive, there_and_back(1, 300.0, "speed_request_rpm"))
    throttle = np.where(run.slow.time_s >= 4.3, 1900.0, 1700.0 + np.round(5.0 * np.sin(9.0 * run.slow.time_s)))
    slow = replace(run.slow, throttle_us=throttle)
    with pytest.raises(AnalysisError, match="saturated at 1900 us"):
        identify(replace(run, slow=slow), parse_rig(example_rig_text()))


def test_a_flat_top_tells_without_a_rig_but_a_carried_request_does_not():
    drive = LinearDrive(0.5, 0.05, time_constant_s=0.3)
    run = run_of(drive, there_and_back(1, 300.0, "speed_request_rpm"))
    time = run.slow.time_s
    governed = np.where(time >= 4.3, 1900.0, 1700.0 + np.round(5.0 * np.sin(9.0 * time)))
    with pytest.raises(AnalysisError, match="saturated at 1900 us"):
        identify(replace(run, slow=replace(run.slow, throttle_us=governed)))
    carried = np.round(1500.0 + np.clip((time - 4.004) * 500.0, 0.0, 60.0))
    assert identify(replace(run, slow=replace(run.slow, throttle_us=carried))).steps[0].problem == ""


def test_a_lever_without_effect_is_not_given_a_gain():
    dead = LinearDrive(0.0, 0.08, time_constant_s=0.35)
    with pytest.raises(AnalysisError, match="did not answer above its noise|never settled"):
        identify(run_of(dead, there_and_back(1)))


def test_starting_from_rest_is_not_a_step_of_the_drive():
    big = LinearDrive(6.0, 0.08, time_constant_s=0.35)
    run = record_steps(
        {"throttle_us": big}, [LeverStep("throttle_us", 4.0, 600.0)], 10.0, np.random.default_rng(1), base_rpm=100.0
    )
    with pytest.raises(AnalysisError, match="from rest|fewer than eight"):
        identify(run)


def test_the_cut_at_the_end_of_a_run_is_no_step_of_the_drive():
    """The rotor still turns fast when the record ends: a cut motor answers with friction and air alone."""
    rig = parse_rig(example_rig_text())
    steps = [*there_and_back(2), LeverStep("throttle_us", 12.0, rig.throttle.safe_us - 1500.0)]
    loop = identify(run_of(LinearDrive(1.0, 0.08, time_constant_s=0.35), steps), rig=rig)
    assert ["the motor is cut there" in result.problem for result in loop.steps] == [False, False, True]
    assert loop.pooled[0].steps == 2


def test_a_governed_pitch_step_has_figures_but_no_model_of_the_drive():
    time = np.arange(0.0, 12.0, 0.01)
    since = np.maximum(time - 4.0, 0.0)
    rng = np.random.default_rng(5)
    rpm = 4000.0 - 400.0 * (np.exp(-since / 0.3) - np.exp(-since / 0.1)) * (since > 0) + rng.normal(0.0, 2.0, len(time))
    run = Run(
        SlowSamples(
            time, rpm=rpm, pitch_deg=np.where(time >= 4.0, 12.0, 10.0), speed_request_rpm=np.full(len(time), 4000.0)
        )
    )
    (result,) = identify(run).steps
    assert result.returned
    assert result.choice is None
    assert result.response.deviation_rpm == pytest.approx(-153.0, abs=8.0)
    assert result.response.recovery_s == pytest.approx(1.13, abs=0.15)  # 400 exp(-t / 0.3) falls to a tenth of 153
    assert math.isnan(result.response.overshoot_pct)


@pytest.mark.parametrize("seed", range(3))
def test_rounded_bare_samples_with_gaps(seed):
    """What another program's CSV may hold: 50 samples a second, rounded to 5 rpm, one in ten missing."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 14.0, 0.02)
    rpm = 4000.0 + 50.0 * LAG.answer(time - 4.0) - 2.0 * time + rng.normal(0.0, 4.0, len(time))
    rpm = 5.0 * np.round(rpm / 5.0)
    rpm[rng.uniform(size=len(time)) < 0.1] = np.nan
    run = Run(SlowSamples(time, rpm=rpm, throttle_us=np.where(time >= 4.0 - 1e-9, 1550.0, 1500.0)))
    result = identify(run).steps[0]
    assert result.problem == ""
    assert_near(result.choice.fit.model.parameters(), result.choice.fit.stderr(), LAG)
