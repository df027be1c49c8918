"""Limits that no sensor could ever report as exceeded are refused by name."""

import re

import pytest

from whirlbench.calibration.sensor_ranges import MOST_VIBRATION_G_RMS, check_ranges, check_watched
from whirlbench.errors import RigError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Engine


def rig_with(key, value):
    """The example rig with one limit changed or added."""
    text = re.sub(rf"(?m)^{key} = .*\n", "", example_rig_text())
    return parse_rig(text.replace("[limits]\n", f"[limits]\n{key} = {value}\n", 1))


@pytest.mark.parametrize(
    ("key", "value"),
    [("current_a", 5000), ("thrust_n", 1e7), ("power_w", 1e6), ("vibration_g_rms", 60)],
)
def test_a_limit_beyond_the_sensor_is_refused_by_its_key(key, value):
    with pytest.raises(RigError, match=rf"limits\.{key} is .* could never"):
        Engine(rig_with(key, value))


def test_a_floor_below_the_sensor_is_refused():
    text = '[calibration.voltage_v]\nunit = "V"\nzero_counts = -800\nunits_per_count = 0.05\n'
    check_ranges(parse_rig(text + "[limits]\nminimum_voltage_v = 41\n"))
    with pytest.raises(RigError, match=r"limits\.minimum_voltage_v is 32 V, but the sensor shows at least 40 V"):
        check_ranges(parse_rig(text + "[limits]\nminimum_voltage_v = 32\n"))


def test_the_example_rig_passes():
    check_ranges(parse_rig(example_rig_text()))


def test_ends_are_those_of_ten_bits():
    text = '[calibration.current_a]\nunit = "A"\nzero_counts = 23\nunits_per_count = 0.1\n'
    check_ranges(parse_rig(text + "[limits]\ncurrent_a = 99.9\n"))
    with pytest.raises(RigError, match=r"limits\.current_a is 100 A, but the sensor shows at most 100 A"):
        check_ranges(parse_rig(text + "[limits]\ncurrent_a = 100\n"))


def test_vibration_up_to_a_square_wave_on_three_axes():
    assert pytest.approx(27.71, abs=0.01) == MOST_VIBRATION_G_RMS
    check_ranges(rig_with("vibration_g_rms", 27))
    with pytest.raises(RigError, match="vibration_g_rms"):
        check_ranges(rig_with("vibration_g_rms", 28))


def test_what_is_not_calibrated_is_no_matter_of_ranges():
    check_ranges(parse_rig("[limits]\ncurrent_a = 5000\n"))


def test_a_limit_on_an_uncalibrated_channel_is_refused_for_a_live_run():
    with pytest.raises(RigError, match=r"limits\.current_a .* calibration\.current_a"):
        check_watched(parse_rig("[limits]\ncurrent_a = 50"))
    check_watched(parse_rig("[limits]\noverspeed_rpm = 5000"))
