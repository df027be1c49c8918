"""The accelerometer's scale from gravity, and what is wrong when it is not one."""

from __future__ import annotations

import pytest

from whirlbench.calibration.axis_fit import fit_axes
from whirlbench.errors import CalibrationError

AXES = ("ax_g", "ay_g", "az_g")
SCALE = {"ax_g": 250.0, "ay_g": 256.0, "az_g": 260.0}  # counts a g
ZERO = {"ax_g": 10.0, "ay_g": -4.0, "az_g": 33.0}


def held(axis, sign):
    return {name: ZERO[name] + (sign * SCALE[name] if name == axis else 0.0) for name in AXES}


def pairs():
    return {axis: held(axis, 1) for axis in AXES}, {axis: held(axis, -1) for axis in AXES}


def test_scales_and_zeros_are_recovered():
    fit = fit_axes(*pairs())

    assert fit.axes == pytest.approx({axis: 1.0 / scale for axis, scale in SCALE.items()})
    assert fit.zero_counts == pytest.approx(ZERO)


def test_the_scale_in_use_never_shows_too_little():
    fit = fit_axes(*pairs())

    assert fit.g_per_count == pytest.approx(1.0 / 250.0)
    assert fit.spread_pct == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda up, down: up.update(ax_g=held("ay_g", 1)), "ax_g"),
        (lambda up, down: (up.update(ax_g=held("ay_g", 1)), down.update(ax_g=held("ay_g", -1))), "ay_g answered"),
        (lambda up, down: (up.update(ax_g=held("ax_g", -1)), down.update(ax_g=held("ax_g", 1))), "exchanged"),
        (lambda up, down: (up.update(az_g=dict(ZERO)), down.update(az_g=dict(ZERO))), "does not answer"),
        (lambda up, down: down.pop("ay_g"), "ay_g: read upwards only"),
        (lambda up, down: up.update(az_g={**held("az_g", 1), "az_g": ZERO["az_g"] + 390.0}), "differ by"),
        (lambda up, down: up.update(az_g={**held("az_g", 1), "ax_g": ZERO["ax_g"] + 200.0}), "not upright"),
    ],
)
def test_bad_readings_are_named(spoil, complaint):
    up, down = pairs()
    spoil(up, down)

    with pytest.raises(CalibrationError, match=complaint):
        fit_axes(up, down)


def test_nothing_read_is_no_calibration():
    with pytest.raises(CalibrationError, match="no axis"):
        fit_axes({}, {})
