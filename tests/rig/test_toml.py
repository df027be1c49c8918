"""Rig files: what is accepted, and what is said of the rest."""

from __future__ import annotations

import pytest

from whirlbench.errors import RigError
from whirlbench.rig.description import require, require_number
from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig


def test_the_example_rig_is_valid_and_of_our_scenario() -> None:
    rig = parse_rig(example_rig_text())
    assert rig.propeller.blades == 4
    assert rig.propeller.diameter_m == 0.56
    assert rig.pack.cells == 10
    assert set(rig.modes) == {"cut_off", "ground", "flight"}


def test_limits_that_are_not_set_are_absent() -> None:
    assert parse_rig("[limits]\noverspeed_rpm = 6000").limits.current_a is None


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[limits]\noverspeed = 1", "unknown key limits.overspeed"),
        ("colour = 'red'", "unknown key colour"),
        ("[limits]\noverspeed_rpm = 'fast'", "limits.overspeed_rpm: expected a number, found a text"),
        ("[limits]\noverspeed_rpm = -1", "limits.overspeed_rpm: expected a number > 0"),
        ("[limits]\noverspeed_rpm = nan", "limits.overspeed_rpm is nan"),
        ("[propeller]\nblades = 2.5", "propeller.blades"),
        ("[propeller]\ndiameter_m = inf", "propeller.diameter_m is inf"),
        ("[pitch]\ntable = [[1000, 1.0], [900, 2.0]]", "pitch.table row 2: 900"),
        ("[pitch]\ntable = [[1000, 1.0]]", "pitch.table has 1 row"),
        ("[pitch]\ntable = [[1000, 1.0], [200, 2.0]]", "pitch.table[1][0]"),
        ("[modes.flight]\nmin_pitch_deg = 9\nmax_pitch_deg = 4\nrpm = [1, 2]", "modes.flight: min_pitch_deg 9"),
        ("[modes.flight]\nmin_pitch_deg = 1\nmax_pitch_deg = 4\nrpm = [3000, 2000]", "modes.flight.rpm"),
        ("[calibration.thrust_n]\nunit = 'N'", "calibration.thrust_n has neither"),
        (
            "[calibration.curent_a]\nunit = 'A'\nunits_per_count = 1",
            "unknown key calibration.curent_a; expected",
        ),
        (
            "[calibration.current_a]\nunit = 'mA'\nunits_per_count = 1",
            "current_a.unit is 'mA': expected 'A'",
        ),
        ("[calibration.thrust_n]\nunit = 'N'\nunits_per_count = 0", "units_per_count is 0"),
        (
            '[limits]\ntrend_trips = ["drift_1p_pct"]',
            "limits.trend_trips: drift_1p_pct as a trip needs limits.vibration_g_rms",
        ),
        ("[limits]\noverspeed_rpm = 1e300", "limits.overspeed_rpm is 1e+300: expected 0, or a size from"),
        ("[propeller]\ndiameter_m = 1e-300", "propeller.diameter_m is 1e-300: expected 0, or a size from"),
        ("[propeller]\nblades = " + "9" * 400, "propeller.blades is a number of 400 digits: expected 0, or"),
        ("[propeller]\nblades = " + "9" * 5000, "not valid TOML"),
        ("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        (".".join(["a"] * 5000) + " = 1", "nested too deeply"),
        ("limits = 3", "key limits: expected a table, found a whole number"),
        ("[governor]\nmode = 'x'", "governor.mode: invalid value 'x'; expected one of pass_through, pitch"),
        ("[blade_sets.a.root]\nkind = 'x'", "blade_sets.a.root.kind: invalid value 'x'; expected one of tang"),
        ("[vibration]\nrate_hz = 3", "vibration.rate_hz: invalid value 3; expected one of 800, 1344, 1600, 3200"),
        ("[modes.flight]\nmin_pitch_deg = 1", "key modes.flight.max_pitch_deg is missing"),
        ("[throttle]\nsafe_us = 1200\nmin_us = 1100", "throttle: safe_us 1200"),
        (
            "[pitch]\ntable = [[1000, 1], [2000, 9]]\nsafe_us = 2390",
            "pitch.safe_us is 2390: a trip would send the servo",
        ),
        ("[pitch]\ntable = [[1000, 1], [2000, 9]]\nsafe_us = 999.5", "measured from 1000 to 2000 us"),
        ("[tach]\nrest_ms = 299", "tach.rest_ms is 299: with 1 pulse(s) a revolution a rotor at up to 201 rpm"),
        ("[tach]\nrest_ms = 100", "600 rpm would count as at rest; give at least 300"),
        ("[tach]\nrest_ms = 100\npulses_per_rev = 2", "300 rpm would count as at rest; give at least 150"),
        ("[vibration]\nband_hz = [400, 10]", "vibration.band_hz"),
        ("broken = ", "not valid TOML"),
    ],
)
def test_a_bad_rig_is_refused_by_key(text: str, complaint: str) -> None:
    with pytest.raises(RigError, match="^bad.toml: ") as caught:
        parse_rig(text, "bad.toml")
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "[pitch]\ntable = [[1000, 1], [2000, 9]]\nsafe_us = 1000",
        "[pitch]\ntable = [[1000, 1], [2000, 9]]\nsafe_us = 1950\nmax_us = 1800",  # measured, though not for a mode
        "[tach]\nrest_ms = 300",
        '[limits]\nvibration_g_rms = 4.0\ntrend_trips = ["drift_1p_pct"]',
        "[tach]\nrest_ms = 100\npulses_per_rev = 3",
    ],
)
def test_the_ends_of_what_is_permitted(text: str) -> None:
    parse_rig(text)


def test_a_file_that_is_no_text_is_named(tmp_path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(bytes(range(256)) * 4000)
    with pytest.raises(RigError, match=r"rig.toml: cannot be read as a rig file \(not UTF-8 text at byte 128\)"):
        read_rig(path)


def test_a_missing_file_is_named(tmp_path) -> None:
    with pytest.raises(RigError, match=r"nowhere.toml: cannot be read"):
        read_rig(tmp_path / "nowhere.toml")


def test_a_missing_key_is_named_with_its_purpose() -> None:
    rig = parse_rig("")
    with pytest.raises(RigError, match=r"propeller.diameter_m is missing: thrust needs it"):
        require_number(rig, "propeller.diameter_m", "thrust")
    with pytest.raises(RigError, match=r"modes is missing"):
        require(rig, "modes", "end points")
    assert require_number(parse_rig("[propeller]\ndiameter_m = 0.5"), "propeller.diameter_m", "x") == 0.5
