"""Margins carry the error of their sensor, and mark what lies beyond its calibration."""

from __future__ import annotations

import math

import msgspec
import pytest

from whirlbench.rig.description import Calibration, Rig
from whirlbench.rig.limits import Limits
from whirlbench.safety.margins import margins

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
