"""Limits in engineering and wire units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.link.messages import TICKS_PER_US
from whirlbench.rig.limits import (
    TICKS_PER_MINUTE,
    overspeed_ticks,
    speed_of_sound_m_s,
    tip_mach_per_rpm,
    vibration_counts,
)
from whirlbench.safety.device_rules import OverspeedRule


def test_ticks_are_those_of_the_wire():
    assert TICKS_PER_MINUTE == 60_000_000 * TICKS_PER_US


@given(st.floats(100, 60_000), st.floats(0.98, 1.02), st.integers(1, 2**21))
def test_a_whole_turn_trips_exactly_when_its_true_speed_is_above_the_limit(limit_rpm, correction, ticks):
    rule = OverspeedRule(overspeed_ticks(limit_rpm, correction))
    rpm = 60 * 2_000_000 / ticks * correction
    if not math.isclose(rpm, limit_rpm, rel_tol=1e-12):
        assert rule.feed(ticks) == (rpm > limit_rpm)


def test_wire_limits_round_to_the_safe_side():
    assert overspeed_ticks(6200) == 19355  # 19354.84: 19354 ticks are 6200.3 rpm and trip, 19355 are 6199.9
    assert vibration_counts(4.0, 0.0039) == 1025  # 1025.6 counts of 3.9 mg
    assert overspeed_ticks(None) == vibration_counts(None, 0.0039) == 0


def test_vibration_limit_of_a_whole_number_of_counts_is_kept():
    assert vibration_counts(0.39, 0.0039) == 100


def test_speed_of_sound_of_the_standard_atmosphere():
    assert speed_of_sound_m_s(15.0) == pytest.approx(340.294, abs=1e-3)  # ISO 2533, sea level


def test_tip_mach_of_a_speed():
    assert tip_mach_per_rpm(None, 0.56, 18.0) == pytest.approx(math.pi * 0.56 / 60 / speed_of_sound_m_s(18))
    assert tip_mach_per_rpm(None, 0.56, None) == tip_mach_per_rpm(None, 0.56, 15.0)
    assert math.isnan(tip_mach_per_rpm(None, None, 18.0))
