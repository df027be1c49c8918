"""Steps of a lever are found where they are, and what only looks like one is told apart."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.analysis.speed_loop import find_steps
from whirlbench.analysis.speed_loop.lever_steps import channel_moves
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples

INSTANTS = np.arange(0.0, 20.0, 0.002)


def stairs(*changes: tuple[float, float], start: float = 1500.0) -> np.ndarray:
    values = np.full(len(INSTANTS), start)
    for at, change in changes:
        values[at - 1e-9 <= INSTANTS] += change
    return values


def run_of(**channels: np.ndarray) -> Run:
    return Run(SlowSamples(INSTANTS, rpm=np.full(len(INSTANTS), 4000.0), **channels))


def test_throttle_step_has_its_instant_and_its_holds():
    (step,) = find_steps(run_of(throttle_us=stairs((5.0, 60.0))))
    assert (step.kind, step.from_value, step.to_value, step.problem) == ("throttle", 1500.0, 1560.0, "")
    assert step.at_s == pytest.approx(5.0, abs=1e-9)
    assert (step.ramp_s, step.command_from, step.command_to) == (0.0, 1500.0, 1560.0)
    assert step.before_s == pytest.approx(5.0, abs=0.01)
    assert step.after_s == pytest.approx(15.0, abs=0.01)


def test_slewed_pulse_is_one_step_with_its_ramp():
    slewed = np.round(np.clip((INSTANTS - 5.0) * 500.0, 0.0, 60.0)) + 1500.0
    (step,) = find_steps(run_of(throttle_us=slewed))
    assert (step.from_value, step.to_value) == (1500.0, 1560.0)
    assert step.at_s == pytest.approx(5.0, abs=0.004)
    assert step.ramp_s == pytest.approx(0.12, abs=0.006)


def test_trim_and_empty_channels_give_no_step():
    assert find_steps(run_of(throttle_us=stairs((5.0, 2.0)))) == ()
    assert find_steps(Run(SlowSamples(INSTANTS))) == ()


def test_overlapping_steps_say_so():
    first, second = find_steps(
        run_of(throttle_us=stairs((5.0, 60.0)), servo_us=stairs((5.2, 80.0)), pitch_deg=stairs((5.2, 2.0), start=9.0))
    )
    assert "overlap" in first.problem
    assert "overlap" in second.problem


def test_slow_ramp_is_a_sweep():
    (step,) = find_steps(run_of(throttle_us=np.round(1500.0 + np.clip((INSTANTS - 5.0) * 25.0, 0.0, 75.0))))
    assert "sweep" in step.problem


def test_pitch_in_degrees_through_the_table():
    rig = parse_rig(example_rig_text())
    (step,) = find_steps(run_of(servo_us=stairs((6.0, 50.0), start=1400.0)), rig)
    assert (step.kind, step.from_value, step.to_value) == ("pitch", pytest.approx(8.0), pytest.approx(9.5))
    assert (step.command_from, step.command_to) == (1400.0, 1450.0)


def test_noisy_feedback_alone_still_shows_the_step():
    noise = np.random.default_rng(1).normal(0.0, 0.1, len(INSTANTS))
    (step,) = find_steps(run_of(pitch_deg=stairs((7.0, 2.0), start=10.0) + noise))
    assert step.at_s == pytest.approx(7.0, abs=0.01)
    assert step.change == pytest.approx(2.0, abs=0.02)


def test_throttle_that_carries_or_follows_a_request_is_no_step_of_its_own():
    request = stairs((5.0, 200.0), start=4000.0)
    carried = stairs((5.002, 35.0))
    (step,) = find_steps(run_of(speed_request_rpm=request, throttle_us=carried))
    assert step.kind == "request"


def test_governed_throttle_is_not_searched():
    rng = np.random.default_rng(2)
    hunting = np.round(1500.0 + 3.0 * np.sin(2 * np.pi * 3.0 * INSTANTS) + rng.normal(0.0, 1.0, len(INSTANTS)))
    hunting[INSTANTS > 12.0] += 30.0  # it holds the speed against a load
    request = stairs((5.0, 200.0), start=4000.0)
    assert [step.kind for step in find_steps(run_of(speed_request_rpm=request, throttle_us=hunting))] == ["request"]


def test_switching_the_governor_on_is_no_request_step():
    request = stairs((8.0, 4000.0), start=0.0)
    (step,) = find_steps(run_of(speed_request_rpm=request))
    assert "switched on" in step.problem


def test_a_request_pulse_of_a_governing_controller_is_a_request():
    rig = parse_rig(example_rig_text().replace("governs = false", "governs = true"))
    (step,) = find_steps(run_of(throttle_us=stairs((5.0, 40.0))), rig)
    assert step.kind == "request"
    assert step.change == pytest.approx(40.0 * 4500.0 / 800.0)


def test_reversing_channel_is_marked():
    values = 1500.0 + np.round(20.0 * np.sin(2 * np.pi * INSTANTS)) * (INSTANTS > 5.0)
    (move,) = channel_moves(INSTANTS, values, "throttle")
    assert move.reversing
    assert find_steps(run_of(throttle_us=values)) == ()


def test_gaps_in_a_channel_are_bridged():
    values = stairs((5.0, 60.0))
    values[1000:1400] = np.nan
    (step,) = find_steps(run_of(throttle_us=values))
    assert step.at_s == pytest.approx(5.0, abs=1e-9)


def test_a_staircase_is_a_ramp_that_began_half_a_stair_before_its_first_riser():
    time = np.arange(0.0, 4.0, 0.02)
    level = 1500.0 + np.clip(np.floor((time - 2.0 + 1e-9) / 0.02) + 1.0, 0.0, 5.0) * 10.0
    (move,) = channel_moves(time, level, "throttle")
    assert (move.start_s, move.end_s) == pytest.approx((1.99, 2.09))


@pytest.mark.parametrize(("interval_s", "late_s", "error_s"), [(0.1, 0.05, 0.0289), (0.002, 0.0, 0.00115)])
def test_a_move_lies_between_two_samples_of_a_slow_log(interval_s, late_s, error_s):
    time = np.arange(0.0, 6.0, interval_s)
    (move,) = channel_moves(time, np.where(time >= 3.0 - 1e-9, 1550.0, 1500.0), "throttle")
    assert move.start_s == pytest.approx(3.0 - late_s)
    assert move.at_stderr_s == pytest.approx(error_s, rel=0.01)
