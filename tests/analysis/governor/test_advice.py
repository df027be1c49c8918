"""Advice is the rule's where the drive is known, and more careful where it is not."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor import advise, plan_text, re_test, rig_lines, rig_values
from whirlbench.analysis.governor.stability import stability_margins
from whirlbench.analysis.governor.tuning_rules import Gains
from whirlbench.analysis.speed_loop import identify
from whirlbench.errors import AnalysisError
from whirlbench.rig.toml import example_rig_text, parse_rig, with_values
from whirlbench.samples import Run, SlowSamples, TachPulses
from whirlbench.session.plan import check_plan, parse_plan

RIG = parse_rig(example_rig_text())
LAG = LinearDrive(6.0, 0.06, time_constant_s=0.35)
PITCH = LinearDrive(-1.0, 0.07, time_constant_s=0.3)  # rpm per us of servo: 0.03 degrees


def step_record(count: int = 6, drive: LinearDrive = LAG, unsteady: float = 0.3) -> Run:
    steps = [LeverStep("throttle_us", 4.0 + 4.0 * k, 40.0 * (-1.0) ** k) for k in range(count)]
    faults = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=unsteady)
    return record_steps({"throttle_us": drive}, steps, 4.0 + 4.0 * count, np.random.default_rng(6), faults=faults)


def test_a_well_known_lag_gets_the_rule_itself():
    """Closed-loop time equal to the dead time of the loop: the drive's, a tach period, half a tick."""
    advice = advise(identify(step_record()), RIG)
    speed = advice.speed_rpm
    assert advice.extra_delay_s == pytest.approx(60.0 / speed + 0.001)
    assert advice.loop_dead_time_s == pytest.approx(0.06 + 60.0 / speed + 0.001, abs=0.002)
    assert advice.closed_loop_time_s == pytest.approx(advice.loop_dead_time_s)
    assert advice.kp == pytest.approx(0.35 / (6.0 * 2.0 * advice.loop_dead_time_s), rel=0.03)
    assert advice.kp / advice.ki == pytest.approx(0.35, rel=0.03)
    assert advice.nominal.gain_margin == pytest.approx(math.pi, rel=0.02)
    assert advice.nominal.phase_margin_deg == pytest.approx(61.35, abs=1.0)
    assert advice.worst.gain_margin < advice.nominal.gain_margin
    assert advice.worst.stable


def test_bare_samples_do_not_hide_the_turn_that_the_tach_will_add():
    run = step_record()
    time = run.slow.time_s[::10]
    rng = np.random.default_rng(1)
    rpm = np.interp(time, run.tach.time_s[1:], 60.0 / np.diff(run.tach.time_s)) + rng.normal(0.0, 2.0, len(time))
    bare = Run(SlowSamples(time, rpm=rpm, throttle_us=run.slow.channel("throttle_us")[::10]), TachPulses())
    advice = advise(identify(bare), RIG)
    assert advice.extra_delay_s == pytest.approx(60.0 / advice.speed_rpm + 0.001)
    assert advice.loop_dead_time_s == pytest.approx(0.06 + advice.extra_delay_s, abs=0.02)


def test_the_knob_slows_the_loop():
    loop = identify(step_record())
    tight, slack = advise(loop, RIG), advise(loop, RIG, closed_loop_time_s=0.4)
    assert slack.kp < 0.5 * tight.kp
    assert slack.nominal.gain_margin > 2.0 * tight.nominal.gain_margin
    assert "as asked" in slack.reasons[0]


def test_a_doubtful_drive_gets_a_slower_loop():
    """One step in a gusty hold: the region is wide, the worst drive in it still keeps its margins."""
    loop = identify(step_record(1, unsteady=6.0))
    advice = advise(loop, RIG)
    assert advice.worst.gain_margin >= 2.0
    assert advice.worst.max_sensitivity <= 2.0
    assert advice.closed_loop_time_s > advice.loop_dead_time_s
    assert advice.loadable


def test_worst_is_worst_over_all_models():
    advice = advise(identify(step_record()), RIG)
    gains = Gains(advice.kp, advice.kp / advice.ki)
    margins = [stability_margins(model, gains, advice.extra_delay_s).gain_margin for model in advice.models]
    assert advice.worst.gain_margin == pytest.approx(min(margins))
    assert len(advice.models) > 12


def test_pitch_governor_has_gains_in_servo_pulse():
    steps = [LeverStep("servo_us", 4.0 + 4.0 * k, 60.0 * (-1.0) ** k) for k in range(4)]
    run = record_steps({"servo_us": PITCH}, steps, 20.0, np.random.default_rng(2), faults=TachFaults(5e-6, 0.3))
    advice = advise(identify(run, RIG), RIG, "pitch")
    assert advice.kp < 0.0
    assert advice.models[0].gain == pytest.approx(-1.0, rel=0.03)
    assert advice.nominal.stable
    assert (advice.law.min_us, advice.law.max_us) == (1000.0, 2000.0)
    assert "pitch_kp_us_per_rpm" in rig_lines(advice)


def test_request_steps_alone_give_no_gains():
    drive = LinearDrive(1.0, 0.05, time_constant_s=0.3)
    steps = [LeverStep("speed_request_rpm", 4.0, 200.0)]
    run = record_steps({"speed_request_rpm": drive}, steps, 9.0, np.random.default_rng(2), faults=TachFaults(5e-6, 0.3))
    assert advise(identify(run, RIG), RIG) is None


def test_derivative_action_is_worked_out_where_it_would_pay():
    two_lags = LinearDrive(6.0, 0.01, damping_ratio=1.2, natural_frequency_rad_s=8.0)
    advice = advise(identify(step_record(drive=two_lags)), RIG)
    assert advice.derivative is not None


def test_the_re_test_is_a_plan_that_the_session_takes():
    advice = advise(identify(step_record()), RIG)
    plan = parse_plan(plan_text(advice, RIG, pitch_deg=10.0))
    kinds = [type(step).kind for step in plan.steps]
    assert kinds == ["hold", "step", "step", "step", "step", "multisine", "coast-down"]
    assert plan.steps[1].request_rpm - plan.steps[2].request_rpm == re_test(advice, RIG).step_rpm
    check_plan(plan, loaded(advice))


def loaded(advice):
    """The rig with the gains of ``advice``, as the file is written."""
    return parse_rig(with_values(example_rig_text(), rig_values(advice)))


def test_the_re_test_of_a_pitch_governor_brings_its_throttle():
    advice = replace(advise(identify(step_record()), RIG), lever="pitch", kp=-0.5, ki=-2.0)
    rig = loaded(advice)
    assert (rig.governor.mode, rig.governor.pitch_kp_us_per_rpm) == ("pitch", -0.5)
    plan = parse_plan(plan_text(advice, RIG, pitch_deg=10.0, throttle_us=1500.0))
    check_plan(plan, rig)
    assert [step.throttle_us for step in plan.steps[:5]] == [1500, None, None, 1520, 1500]
    with pytest.raises(AnalysisError, match="throttle of the identification"):
        plan_text(advice, RIG, pitch_deg=10.0)


@pytest.mark.parametrize(("greatest_us", "away_deg"), [(2000, 12.0), (1500, 8.0)])
def test_the_step_of_the_other_lever_keeps_within_the_end_points(greatest_us, away_deg):
    advice = advise(identify(step_record()), RIG)
    rig = parse_rig(example_rig_text().replace("safe_us = 1200", f"safe_us = 1200\nmax_us = {greatest_us}"))
    plan = parse_plan(plan_text(advice, rig, pitch_deg=10.0))
    assert [step.pitch_deg for step in plan.steps[3:5]] == [away_deg, 10.0]


def test_the_re_test_stays_away_from_slew_range_and_overspeed():
    advice = advise(identify(step_record()), RIG)
    assert re_test(advice, RIG).step_rpm <= 0.04 * advice.speed_rpm + 1
    near_end = replace(advice, pulse_us=1890.0)
    assert re_test(near_end, RIG).step_rpm <= 0.5 * 10.0 * 6.1 + 1
    fast = replace(advice, speed_rpm=6150.0)
    assert re_test(fast, RIG).step_rpm <= 25


def test_chatter_is_what_two_jittery_edges_of_a_period_make_of_the_pulse():
    """Each period has two edges: the root of two of one edge's error, by speed^2 / 60 and the proportional gain."""
    steps = [LeverStep("throttle_us", 4.0 + 4.0 * k, 50.0 * (-1.0) ** k) for k in range(4)]
    faults = TachFaults(jitter_s=10e-6)
    advice = advise(
        identify(record_steps({"throttle_us": LAG}, steps, 20.0, np.random.default_rng(8), faults=faults)), RIG
    )
    edges = np.arange(4000) * 60.0 / advice.speed_rpm + 10e-6 * np.random.default_rng(9).standard_normal(4000)
    assert advice.chatter_us == pytest.approx(abs(advice.kp) * float(np.std(60.0 / np.diff(edges))), rel=0.1)
