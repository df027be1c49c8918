"""The two levers' table: relative gain by hand, by Bristol's matrix, and from a record."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor.interaction import Estimate, interaction, relative_gain
from whirlbench.analysis.speed_loop import identify
from whirlbench.errors import AnalysisError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run

RIG = parse_rig(example_rig_text())


@pytest.mark.parametrize("gains", [(8.0, -9.0, 0.17, 2.6), (6.0, -40.0, 0.1, 0.2), (5.0, -20.0, -0.05, 0.1)])
def test_relative_gain_is_that_of_the_inverse(gains):
    """Bristol: the element of K times its transposed inverse."""
    matrix = np.array(gains).reshape(2, 2)
    expected = (matrix * np.linalg.inv(matrix).T)[0, 0]
    assert relative_gain(*(Estimate(gain, 0.0) for gain in gains)).value == pytest.approx(expected)


def test_error_of_the_relative_gain_is_that_of_chance():
    rng = np.random.default_rng(1)
    values, errors = np.array([8.0, -20.0, 0.17, 1.5]), np.array([0.1, 1.0, 0.01, 0.05])
    draws = values + errors * rng.normal(size=(20_000, 4))
    spread = np.std(1.0 / (1.0 - draws[:, 1] * draws[:, 2] / (draws[:, 0] * draws[:, 3])))
    stated = relative_gain(*(Estimate(*pair) for pair in zip(values, errors, strict=True)))
    assert stated.stderr == pytest.approx(spread, rel=0.1)


def test_a_singular_table_has_no_relative_gain():
    assert math.isinf(relative_gain(*(Estimate(gain, 0.1) for gain in (2.0, 4.0, 1.0, 2.0))).value)


def stepped_run(thrust_per_us: float, thrust_per_deg: float) -> Run:
    drives = {
        "throttle_us": LinearDrive(8.0, 0.05, time_constant_s=0.2),
        "servo_us": LinearDrive(-0.3, 0.05, time_constant_s=0.2),
    }
    steps = [LeverStep("throttle_us", 4.0 + 3.0 * k, 40.0 * (-1.0) ** k) for k in range(4)]
    steps += [LeverStep("servo_us", 16.0 + 3.0 * k, 80.0 * (-1.0) ** k) for k in range(4)]
    rng = np.random.default_rng(3)
    run = record_steps(drives, steps, 30.0, rng, faults=TachFaults(5e-6, 0.3))
    slow = run.slow
    degrees = 0.03 * (slow.channel("servo_us") - 1500.0)
    thrust = 60.0 + thrust_per_us * (slow.channel("throttle_us") - 1500.0) + thrust_per_deg * degrees
    return replace(run, slow=replace(slow, thrust_n=thrust + rng.normal(0.0, 0.3, len(thrust))))


def test_table_from_a_record():
    run = stepped_run(0.17, 2.6)
    found = interaction(run, identify(run, RIG))
    assert found.rpm_per_us.value == pytest.approx(8.0, rel=0.02)
    assert found.rpm_per_deg.value == pytest.approx(-10.0, rel=0.05)
    assert found.thrust_n_per_us.value == pytest.approx(0.17, rel=0.05)
    assert found.thrust_n_per_deg.value == pytest.approx(2.6, rel=0.05)
    assert "go together" in found.verdict


def test_fighting_levers_are_called_that():
    """Thrust that falls with pitch: the blades are stalled, and both levers slow the propeller's work."""
    run = stepped_run(0.3, -0.25)
    assert "fight" in interaction(run, identify(run, RIG)).verdict


def test_what_is_missing_is_named():
    run = stepped_run(0.17, 2.6)
    loop = identify(run, RIG)
    with pytest.raises(AnalysisError, match="no thrust"):
        interaction(replace(run, slow=replace(run.slow, thrust_n=None)), loop)
    early = run.between(0.0, 15.5)
    with pytest.raises(AnalysisError, match="no usable pitch step"):
        interaction(early, identify(early, RIG))
