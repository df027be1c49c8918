"""Margins: the share of each limit in use, and nothing for limits that are not set."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety.host_rules import Batch, host_rules
from whirlbench.safety.margins import greatest_shares, margins

RIG = parse_rig(example_rig_text())


def shares(**values: float) -> dict[str, float]:
    return {margin.label: margin.share for margin in margins(RIG, values)}


def test_upper_limits_are_value_over_limit_and_the_least_voltage_the_other_way() -> None:
    found = shares(
        rpm=0.5 * (RIG.limits.overspeed_rpm or 0.0), current_a=55.0, voltage_v=40.0, thrust_n=-13.5, vibration_g_rms=1.0
    )
    assert found["overspeed"] == pytest.approx(0.5)
    assert found["current"] == pytest.approx(0.5)
    assert found["power"] == pytest.approx(2200.0 / 3600.0)
    assert found["thrust"] == pytest.approx(0.1)  # pushing the wrong way uses the limit, too
    assert found["least voltage"] == pytest.approx(0.8)


def test_the_tip_mach_margin_is_full_where_the_tip_mach_rule_trips() -> None:
    (rule,) = (rule for rule in host_rules(RIG) if rule.name == "tip_mach")
    rpm = np.linspace(6500.0, 7500.0, 100_001)
    trip = rule.feed(Batch(np.arange(len(rpm)) * 0.002, {"rpm": rpm}))
    assert trip is not None
    assert shares(rpm=rpm[round(trip.at_s / 0.002)])["tip Mach"] == pytest.approx(1.0, abs=1e-5)


def test_without_a_reading_the_share_is_unknown_not_zero() -> None:
    assert all(math.isnan(share) for share in shares().values())
    assert "no reading" in margins(RIG, {})[0].text()


def test_limits_that_are_not_set_are_left_out() -> None:
    assert margins(parse_rig("[limits]\ncurrent_a = 10"), {"current_a": 5.0})[0].share == 0.5
    assert len(margins(parse_rig("[limits]\ncurrent_a = 10"), {})) == 1


def test_the_greatest_share_between_two_looks_is_found_for_either_side() -> None:
    """A current may come with either sign, a least voltage counts only while the motor is driven."""
    found = greatest_shares(
        RIG,
        {
            "rpm": np.array([100.0, 3000.0, np.nan, 0.0]),
            "current_a": np.array([1.0, -55.0, 2.0, 0.0]),
            "voltage_v": np.array([0.1, 40.0, 38.0, 0.0]),
            "throttle_us": np.array([1000.0, 1400.0, 1400.0, 1400.0]),
        },
    )
    assert found["overspeed_rpm"] == pytest.approx(0.5)
    assert found["current_a"] == pytest.approx(0.5)
    assert found["minimum_voltage_v"] == pytest.approx(32.0 / 38.0)
    assert "thrust_n" not in found
    assert greatest_shares(RIG, {"rpm": np.array([np.nan])}) == {}
