"""What a device holds, in the units of the rig: the way back from its slots, and never far from the rig's own limit."""

from __future__ import annotations

import math

import pytest

from whirlbench.rig.device_slots import held_limits, slot_values
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.rig.wire_counts import counts_at, units_at

RIG = parse_rig(example_rig_text())
HELD = {name: value.counts for name, value in slot_values(RIG).items()}


def test_what_was_written_comes_back_within_a_count_on_the_safe_side() -> None:
    found = held_limits(RIG, HELD)
    limits = RIG.limits
    assert set(found) == {
        f"limits.{key}" for key in ("overspeed_rpm", "vibration_g_rms", "current_a", "minimum_voltage_v")
    }
    assert limits.overspeed_rpm * 0.999 < found["limits.overspeed_rpm"] <= limits.overspeed_rpm
    assert limits.vibration_g_rms - 0.0039 < found["limits.vibration_g_rms"] <= limits.vibration_g_rms
    assert limits.current_a - 0.3255 < found["limits.current_a"] <= limits.current_a
    assert limits.minimum_voltage_v <= found["limits.minimum_voltage_v"] < limits.minimum_voltage_v + 0.0489


def test_a_slot_that_is_off_or_not_known_holds_no_limit() -> None:
    assert held_limits(RIG, {}) == {}
    assert "limits.current_a" not in held_limits(RIG, {**HELD, "CURRENT_COUNTS": 0})


def test_a_device_that_holds_another_limit_shows_that_one() -> None:
    """The device's own echo, not the rig's number said twice."""
    found = held_limits(RIG, {**HELD, "OVERSPEED_TICKS": 2 * HELD["OVERSPEED_TICKS"]})
    assert found["limits.overspeed_rpm"] == pytest.approx(RIG.limits.overspeed_rpm / 2, rel=1e-3)


@pytest.mark.parametrize("channel", ["current_a", "voltage_v", "pitch_deg"])
def test_the_way_back_is_the_way_there(channel: str) -> None:
    scale = RIG.calibration[channel]
    for value in (1.0, 7.5, 25.0):
        assert units_at(counts_at(scale, value), scale) == pytest.approx(value)


def test_without_calibration_nothing_is_known() -> None:
    assert math.isnan(units_at(100.0, None))
