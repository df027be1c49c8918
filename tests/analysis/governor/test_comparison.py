"""Settings of a governing controller beside each other: a difference is one only beyond the noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor import compare
from whirlbench.analysis.governor.comparison import bandwidth_hz
from whirlbench.analysis.speed_loop import SpeedLoop, identify
from whirlbench.errors import AnalysisError


def governed(damping: float, frequency: float, seed: int, count: int = 4) -> SpeedLoop:
    drive = LinearDrive(1.0, 0.03, damping_ratio=damping, natural_frequency_rad_s=frequency)
    steps = [LeverStep("speed_request_rpm", 4.0 + 4.0 * k, 200.0 * (-1.0) ** k) for k in range(count)]
    faults = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=0.5)
    run = record_steps(
        {"speed_request_rpm": drive}, steps, 4.0 + 4.0 * count, np.random.default_rng(seed), faults=faults
    )
    return identify(run)


def test_the_better_damped_setting_wins():
    found = compare([("soft", governed(0.35, 6.0, 1)), ("firm", governed(0.6, 12.0, 2))])
    assert found.best == "firm"
    clear = {difference.figure for difference in found.differences if difference.clear}
    assert {"overshoot_pct", "damping_ratio", "bandwidth_hz"} <= clear
    assert "by more than noise" in found.line
    soft, firm = found.settings
    assert soft.figures["damping_ratio"].mean == pytest.approx(0.35, abs=0.03)
    assert firm.figures["overshoot_pct"].mean == pytest.approx(9.5, abs=2.0)


def test_equal_settings_are_not_told_apart():
    found = compare([("A", governed(0.6, 8.0, 1)), ("B", governed(0.6, 8.0, 2)), ("C", governed(0.6, 8.0, 3))])
    assert found.best == ""
    assert "no setting is better" in found.line


def test_a_single_step_is_never_clear():
    found = compare([("A", governed(0.3, 6.0, 1, count=1)), ("B", governed(0.8, 9.0, 2, count=1))])
    assert not any(difference.clear for difference in found.differences)


def test_bandwidth_of_one_lag_and_of_a_butterworth_pair():
    """A pair with a damping ratio of 0.7071 has its bandwidth at the natural frequency."""
    assert bandwidth_hz((0.2,), math.nan) == pytest.approx(1.0 / (2.0 * math.pi * 0.2))
    assert bandwidth_hz((0.1, 0.1), math.sqrt(0.5)) == pytest.approx(10.0 / (2.0 * math.pi))


def test_one_recording_is_no_comparison():
    loop = governed(0.6, 8.0, 1, count=1)
    with pytest.raises(AnalysisError, match="two or more"):
        compare([("A", loop)])
    with pytest.raises(AnalysisError, match="different names"):
        compare([("A", loop), ("A", loop)])
