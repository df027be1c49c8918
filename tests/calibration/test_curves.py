"""Curves: straight, bent, there and back, with their uncertainty."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.calibration.channels import NOT_FITTED, SlowCalibration
from whirlbench.calibration.curves import Curve, curve_through
from whirlbench.errors import CalibrationError
from whirlbench.rig.description import Calibration
from whirlbench.rig.toml import example_rig_text, parse_rig

STRAIGHT = Curve.of(Calibration("A", zero_counts=512, units_per_count=0.25))
BENT = curve_through([(1000, -4.0), (1200, 2.0), (2000, 10.0)], "deg")


def test_straight_line():
    assert STRAIGHT.value(np.array([512, 516, 508])).tolist() == [0.0, 1.0, -1.0]


def test_bent_line_goes_on_beyond_its_ends():
    assert BENT.value(np.array([900, 1000, 1100, 1600, 2100])).tolist() == [-7.0, -4.0, -1.0, 6.0, 11.0]


@given(st.floats(0, 4000))
def test_there_and_back(counts):
    for curve in (STRAIGHT, BENT):
        assert curve.inverse(curve.value(np.array([counts]))) == pytest.approx([counts], abs=1e-6)


def test_falling_table_can_be_inverted():
    falling = curve_through([(1000, 20.0), (1500, 5.0), (2000, 0.0)], "deg")
    assert falling.inverse(np.array([5.0, 12.5])).tolist() == [1500.0, 1250.0]


def test_a_curve_that_turns_back_cannot_be_inverted():
    with pytest.raises(CalibrationError, match="turns back"):
        curve_through([(1000, 0.0), (1500, 5.0), (2000, 0.0)], "deg").inverse(np.array([1.0]))


def test_stderr_is_the_root_of_squares():
    curve = Curve.of(Calibration("N", units_per_count=1.0, stderr_zero=3.0, stderr_gain_pct=4.0, residual=12.0))
    assert curve.stderr(np.array([100.0])) == pytest.approx([13.0])  # 3, 4, 12: a Pythagorean quadruple


def test_neither_gain_nor_table_is_refused():
    with pytest.raises(CalibrationError, match=r"calibration\.thrust_n has neither"):
        Curve.of(Calibration("N"), "calibration.thrust_n")


def counts_of(**changes):
    counts = {"rpm": 0, "current_a": 512, "voltage_v": 0, "thrust_n": 84000, "pitch_deg": 180,
              "throttle_us": 1000, "servo_us": 1200, "speed_request_rpm": 0} | changes  # fmt: skip
    return {name: np.array([value]) for name, value in counts.items()}


def test_channels_of_the_example_rig():
    values = SlowCalibration(parse_rig(example_rig_text())).values(counts_of(rpm=24_000, current_a=612))
    assert values["rpm"] == pytest.approx([5000.0])
    assert values["current_a"] == pytest.approx([32.55])
    assert values["thrust_n"] == pytest.approx([0.0])
    assert values["pitch_deg"] == pytest.approx([-4.0])  # from feedback, not from the commanded pulse


def test_rest_is_zero_rpm_and_missing_feedback_falls_back_on_the_pulse():
    values = SlowCalibration(parse_rig(example_rig_text())).values(counts_of(pitch_deg=NOT_FITTED))
    assert values["rpm"] == [0.0]
    assert values["pitch_deg"] == pytest.approx([2.0])


def test_uncalibrated_channels_are_nan():
    values = SlowCalibration(parse_rig("")).values(counts_of())
    assert all(np.isnan(values[name][0]) for name in ("current_a", "voltage_v", "thrust_n", "pitch_deg"))
