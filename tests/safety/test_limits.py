"""Limits in engineering and wire units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.errors import RigError
from whirlbench.link.messages import TICKS_PER_US
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety import trip_limits as limits_module
from whirlbench.safety.device_rules import OverspeedRule
from whirlbench.safety.trip_limits import TripLimits, check_watched, speed_of_sound_m_s


def test_ticks_are_those_of_the_wire():
    assert limits_module.TICKS_PER_MINUTE == 60_000_000 * TICKS_PER_US


@given(st.floats(100, 60_000), st.integers(1, 6), st.integers(1, 2**21))
def test_a_whole_period_trips_exactly_when_its_speed_is_above_the_limit(limit_rpm, per_rev, ticks):
    rule = OverspeedRule(TripLimits(overspeed_rpm=limit_rpm, pulses_per_rev=per_rev).overspeed_ticks)
    rpm = 60 * 2_000_000 / (ticks * per_rev)
    if not math.isclose(rpm, limit_rpm, rel_tol=1e-12):
        assert rule.feed(ticks) == (rpm > limit_rpm)


def test_wire_limits_round_to_the_safe_side():
    limits = TripLimits(overspeed_rpm=6200, vibration_g_rms=4.0)
    assert limits.overspeed_ticks == 19355  # 19354.84: 19354 ticks are 6200.3 rpm and trip, 19355 are 6199.9
    assert limits.vibration_counts == 1025  # 1025.6 counts of 3.9 mg
    assert TripLimits().overspeed_ticks == TripLimits().vibration_counts == 0


def test_vibration_limit_of_a_whole_number_of_counts_is_kept():
    assert TripLimits(vibration_g_rms=0.39).vibration_counts == 100


def test_speed_of_sound_of_the_standard_atmosphere():
    assert speed_of_sound_m_s(15.0) == pytest.approx(340.294, abs=1e-3)  # ISO 2533, sea level


def test_from_example_rig():
    limits = TripLimits.from_rig(parse_rig(example_rig_text()))
    assert (limits.overspeed_rpm, limits.current_a, limits.minimum_voltage_v) == (6200, 110, 32)
    assert limits.tip_mach_rpm == pytest.approx(0.6 * speed_of_sound_m_s(18) * 60 / (math.pi * 0.56))


def test_tip_mach_needs_the_diameter_by_name():
    with pytest.raises(RigError, match=r"propeller\.diameter_m.*tip_mach"):
        TripLimits.from_rig(parse_rig("[limits]\ntip_mach = 0.6"))


def test_a_limit_on_an_uncalibrated_channel_is_refused_for_a_live_run():
    with pytest.raises(RigError, match=r"limits\.current_a .* calibration\.current_a"):
        check_watched(parse_rig("[limits]\ncurrent_a = 50"))
    check_watched(parse_rig("[limits]\noverspeed_rpm = 5000"))
