"""Thrust, power and current to expect: measured coefficients before the estimate, and nothing invented."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from whirlbench.analysis.strength import check_strength
from whirlbench.analysis.strength.planned_points import (
    coefficient_curve,
    implausible_coefficients,
    plan_points,
    planning_pitches,
)
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(example_rig_text())


def with_coefficients(rig: Rig, *rows: tuple[float, float, float], stderr_pct: float | None = 2.0) -> Rig:
    propeller = msgspec.structs.replace(rig.propeller, coefficients=rows, coefficients_stderr_pct=stderr_pct)
    return msgspec.structs.replace(rig, propeller=propeller)


def test_measured_coefficients_replace_the_estimate(rig: Rig) -> None:
    table = ((8.0, 0.07, 0.025), (14.0, 0.11, 0.05), (22.0, 0.15, 0.10))
    propeller = msgspec.structs.replace(rig.propeller, coefficients=table, coefficients_stderr_pct=2.0)
    measured = msgspec.structs.replace(rig, propeller=propeller)
    curve = coefficient_curve(measured, measured.blade_sets["moulded"])
    assert curve is not None and curve.source.startswith("measured")
    assert curve.ct_uncertainty == pytest.approx(0.04)
    point = plan_points(measured, curve, 1.2, (5000.0,), (11.0,))[0]
    assert point.thrust_n == pytest.approx(0.09 * 1.2 * (5000.0 / 60.0) ** 2 * 0.56**4)
    assert point.thrust_range_n == pytest.approx((0.96 * point.thrust_n, 1.04 * point.thrust_n))


def test_a_current_beyond_the_drive_is_not_invented(rig: Rig) -> None:
    curve = coefficient_curve(rig, rig.blade_sets["moulded"])
    assert curve is not None
    point = plan_points(rig, curve, 1.2, (9000.0,), (22.0,))[0]
    assert point.pack_current_a is None and point.duty is None


def test_current_agrees_with_power_over_voltage(rig: Rig) -> None:
    """Energy: pack power is shaft power, copper loss and no-load loss; written out here from the rig's numbers."""
    curve = coefficient_curve(rig, rig.blade_sets["moulded"])
    assert curve is not None
    point = plan_points(rig, curve, 1.2, (5000.0,), (14.0,))[0]
    motor, pack = rig.motor, rig.pack
    assert None not in (motor.kv_rpm_per_v, motor.resistance_ohm, motor.no_load_current_a, pack.resistance_ohm)
    volts = 5000.0 * motor.gear_ratio / motor.kv_rpm_per_v  # type: ignore[operator]
    amps = point.power_w / volts + motor.no_load_current_a  # type: ignore[operator]
    electric_w = amps * (volts + amps * motor.resistance_ohm)  # type: ignore[operator]
    assert point.pack_current_a is not None
    pack_v = electric_w / point.pack_current_a
    open_v = pack_v + point.pack_current_a * pack.resistance_ohm  # type: ignore[operator]
    assert open_v == pytest.approx(38.7, abs=0.2)  # ten cells in the middle of a run


def test_the_band_covers_its_middle_and_grows_with_the_stated_error(rig: Rig) -> None:
    narrow, wide = (with_coefficients(rig, (8.0, 0.07, 0.03), (22.0, 0.15, 0.10), stderr_pct=pct) for pct in (1.0, 4.0))
    widths = []
    for changed in (narrow, wide):
        curve = coefficient_curve(changed, None)
        assert curve is not None
        low, high = plan_points(changed, curve, 1.2, (4000.0,), (15.0,))[0].power_range_w
        widths.append(high - low)
    assert widths[1] == pytest.approx(4.0 * widths[0])


def test_coefficients_that_no_propeller_gives_are_warned_of(rig: Rig) -> None:
    """PROP-5: published figures of merit at rest are 0.63 to 0.73; above 0.8 a calibration is wrong."""
    changed = with_coefficients(rig, (8.0, 0.07, 0.03), (14.0, 0.13, 0.040), (22.0, 0.15, 0.10))
    complaints = implausible_coefficients(changed)
    assert len(complaints) == 1 and "at 14 degrees" in complaints[0]
    assert complaints[0] in check_strength(changed).warnings
    assert implausible_coefficients(rig) == ()


def test_without_chords_or_coefficients_nothing_is_planned(rig: Rig) -> None:
    bare = msgspec.structs.replace(rig.blade_sets["moulded"], sections=None, mass_kg=0.036, cg_radius_m=0.117)
    check = check_strength(msgspec.structs.replace(rig, blade_sets={"moulded": bare}))
    assert check.planning == () and check.planning_source is None
    assert check.fitted.servo is None and check.fitted.mode("blade") is None


def test_pitches_come_from_the_modes_or_the_table(rig: Rig) -> None:
    assert planning_pitches(rig) == (0.0, 2.0, 4.0, 8.0, 10.0, 22.0)
    assert planning_pitches(msgspec.structs.replace(rig, modes={}))[-1] == 26.0
    empty = msgspec.structs.replace(rig, modes={}, pitch=msgspec.structs.replace(rig.pitch, table=None))
    with pytest.raises(RigError, match="modes"):
        planning_pitches(empty)


def test_estimated_thrust_follows_the_blade_angle(rig: Rig) -> None:
    curve = coefficient_curve(rig, rig.blade_sets["moulded"])
    assert curve is not None and "estimate" in curve.source
    points = plan_points(rig, curve, 1.2, (4000.0,), (2.0, 8.0, 14.0))
    assert np.all(np.diff([point.thrust_n for point in points]) > 0.0)
