"""Margins carry the error of their sensor, and mark what lies beyond its calibration."""

from __future__ import annotations

import math

import msgspec
import pytest

from whirlbench.rig.description import Air, Calibration, Pitch, Propeller, Rig, Tach, Vibration
from whirlbench.rig.limits import Limits
from whirlbench.safety.margins import margins
from whirlbench.safety.reading_errors import mark, prolonged, reading_stderr

CURRENT = Calibration(
    unit="A", units_per_count=0.3, stderr_zero=0.3, stderr_gain_pct=1.0, residual=0.4, span=(0.0, 80.0)
)
VOLTAGE = Calibration(unit="V", units_per_count=0.05, stderr_gain_pct=0.5)
RIG = Rig(
    limits=Limits(current_a=110.0, power_w=3600.0, overspeed_rpm=6000.0),
    calibration={"current_a": CURRENT, "voltage_v": VOLTAGE},
)


def of(rig, label, **values):
    return next(margin for margin in margins(rig, values) if margin.label == label)


def test_a_reading_is_shown_with_its_error():
    margin = of(RIG, "current", current_a=60.0)

    assert margin.stderr == pytest.approx(math.hypot(0.3, 0.6, 0.4))
    assert margin.text() == "60 ± 0.78 / 110 A"


@pytest.mark.parametrize(("value", "mark"), [(80.0, ""), (81.9, ""), (90.0, "prolonged"), (-3.0, "prolonged")])
def test_a_reading_beyond_the_calibration_is_marked(value, mark):
    margin = of(RIG, "current", current_a=value)

    assert margin.mark == mark and margin.text().endswith(mark)


def test_a_product_carries_both_errors_and_either_mark():
    margin = of(RIG, "power", current_a=90.0, voltage_v=40.0)

    relative = math.hypot(CURRENT.stderr(90.0) / 90.0, 0.005)
    assert margin.stderr == pytest.approx(3600.0 * relative) and margin.mark == "prolonged"


def test_an_error_that_is_not_known_is_not_shown_as_none():
    bare = msgspec.structs.replace(RIG, calibration={"current_a": Calibration(unit="A", units_per_count=0.3)})

    assert of(bare, "current", current_a=60.0).text() == "60 / 110 A"
    assert math.isnan(of(bare, "current", current_a=60.0).stderr)
    assert math.isnan(of(RIG, "overspeed", rpm=5000.0).stderr)


def test_no_reading_has_neither_error_nor_mark():
    margin = of(RIG, "current", current_a=math.nan)

    assert margin.text().startswith("no reading") and margin.mark == ""


def test_speed_vibration_and_what_is_worked_out_from_them_carry_their_scales_errors():
    limits = Limits(overspeed_rpm=6000.0, vibration_g_rms=4.0, tip_mach=0.7)
    rig = Rig(
        limits=limits, tach=Tach(stderr_pct=0.1), vibration=Vibration(stderr_pct=2.0),
        propeller=Propeller(diameter_m=0.56), air=Air(temperature_c=15.0),
    )  # fmt: skip

    assert of(rig, "overspeed", rpm=5000.0).stderr == pytest.approx(5.0)
    assert of(rig, "vibration", vibration_g_rms=3.0).text() == "3 ± 0.06 / 4 g rms"
    mach = of(rig, "tip Mach", rpm=5000.0)
    assert mach.stderr == pytest.approx(0.001 * mach.value) and mach.value > 0.4
    assert reading_stderr(rig, "ax_g", -3.0) == pytest.approx(0.06)


TABLE = ((1000.0, 26.0), (2000.0, -4.0))  # falling is a table, too
ARM = Calibration(unit="deg", units_per_count=0.1, residual=0.3, span=(-4.0, 26.0))


@pytest.mark.parametrize(
    ("rig", "angle_deg", "stderr", "beyond"),
    [
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.2)), 8.0, 0.2, False),
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.2)), 26.3, 0.2, False),
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.2)), 26.5, 0.2, True),
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.2)), -4.5, 0.2, True),
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.4, feedback=True), calibration={"pitch_deg": ARM}), 8.0, 0.5, False),
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.4, feedback=True), calibration={"pitch_deg": ARM}), 27.0, 0.5, True),
        (Rig(pitch=Pitch(stderr_deg=0.2)), 8.0, math.nan, False),  # no angle was ever measured
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.0)), 8.0, math.nan, False),  # nobody said, which is not none
        (Rig(pitch=Pitch(table=TABLE, stderr_deg=0.2)), math.nan, math.nan, False),
    ],
)
def test_a_blade_angle_carries_gauge_play_and_feedback_and_ends_with_its_table(rig, angle_deg, stderr, beyond):
    assert reading_stderr(rig, "pitch_deg", angle_deg) == pytest.approx(stderr, nan_ok=True)
    assert prolonged(rig, "pitch_deg", angle_deg) is beyond
    assert mark(rig, {"pitch_deg": angle_deg}) == ("prolonged" if beyond else "")


def test_commands_have_no_error_of_a_sensor():
    assert math.isnan(reading_stderr(RIG, "throttle_us", 1500.0)) and not prolonged(RIG, "throttle_us", 1500.0)
