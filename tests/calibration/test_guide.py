"""The guide: what it asks for, what it refuses, and that its table is a points file at any moment."""

from __future__ import annotations

import msgspec
import pytest

from whirlbench.calibration.guide import COURSES, STANDARD_GRAVITY, CalibrationGuide, servo_range
from whirlbench.calibration.points_file import read_points
from whirlbench.calibration.steady_reading import SteadyReading
from whirlbench.errors import CalibrationError
from whirlbench.rig.description import Pitch, Rig
from whirlbench.rig.toml import example_rig_text, parse_rig

RIG = parse_rig(example_rig_text())


def still(mean: float, restless: str = "") -> SteadyReading:
    return SteadyReading(mean, 1.0, 1000, 0.0, 0.1, restless)


def test_a_load_cell_begins_with_its_tare_and_goes_on_until_the_operator_ends(tmp_path):
    guide = CalibrationGuide("thrust_n", RIG)
    assert guide.setting is not None and not guide.setting.asks

    guide.take(None, {"thrust_n": still(84000.0)})
    for mass in ("1 kg", "2 kg"):
        assert guide.objection()
        guide.take(guide.number(mass), {"thrust_n": still(90000.0)})

    assert guide.open_ended and guide.objection() == ""
    path = tmp_path / "points.csv"
    path.write_text(guide.table(), encoding="utf-8")
    rows = read_points(path, ("value", "counts"), {})
    assert [row.numbers["value"] for row in rows] == pytest.approx([0.0, STANDARD_GRAVITY, 2 * STANDARD_GRAVITY])


@pytest.mark.parametrize(
    ("reading", "complaint"),
    [
        (still(512.0, "it still moves"), "still moves; wait"),
        (still(1023.0), "an end of the converter"),
        (still(0.0), "an end of the converter"),
        (None, "was not read"),
    ],
)
def test_a_reading_that_is_none_takes_no_point(reading, complaint):
    guide = CalibrationGuide("current_a", RIG)

    with pytest.raises(CalibrationError, match=complaint):
        guide.take(None, {} if reading is None else {"current_a": reading})

    assert guide.rows == []


@pytest.mark.parametrize("typed", [None, float("nan")])
def test_what_was_not_typed_takes_no_point(typed):
    guide = CalibrationGuide("voltage_v", RIG)

    with pytest.raises(CalibrationError, match="was not typed"):
        guide.take(typed, {"voltage_v": still(500.0)})


@pytest.mark.parametrize(("channel", "text"), [("thrust_n", "1 lb"), ("current_a", "1 kg"), ("voltage_v", "nan")])
def test_what_is_no_number_is_told(channel, text):
    with pytest.raises(CalibrationError, match="was typed: expected a number"):
        CalibrationGuide(channel, RIG).number(text)


def test_the_pitch_is_reached_from_both_sides_within_the_servos_range():
    guide = CalibrationGuide("pitch", RIG)
    low, high = servo_range(RIG)
    sides = []
    while (setting := guide.setting) is not None:
        assert setting.servo_us is not None and setting.approach_us is not None
        assert low <= min(setting.servo_us, setting.approach_us) <= max(setting.servo_us, setting.approach_us) <= high
        assert (setting.approach_us < setting.servo_us) == (setting.fixed["from"] == "below")
        sides.append((setting.fixed["pulse_us"], setting.fixed["from"]))
        guide.take(1.0, {})

    assert {pulse for pulse, side in sides if side == "below"} == {pulse for pulse, side in sides if side == "above"}
    assert not guide.open_ended and guide.objection() == ""


def test_a_new_rig_is_guided_between_the_ends_that_were_found_and_refused_without():
    found = msgspec.structs.replace(Rig(), pitch=Pitch(min_us=1000.0, max_us=2000.0))

    assert CalibrationGuide("pitch", found).setting is not None
    with pytest.raises(CalibrationError, match="whirlbench travel"):
        CalibrationGuide("pitch", Rig())


def test_the_latest_point_can_be_taken_back():
    guide = CalibrationGuide("vibration", RIG)
    first = guide.setting
    guide.take(None, {name: still(10.0) for name in ("ax_g", "ay_g", "az_g")})

    guide.undo()
    guide.undo()

    assert guide.setting == first and guide.rows == []


def test_a_finished_guide_takes_no_more():
    guide = CalibrationGuide("transmitter", RIG)
    while guide.setting is not None:
        guide.take(1500.0, {})

    with pytest.raises(CalibrationError, match="every point is taken"):
        guide.take(1500.0, {})


def test_a_channel_without_a_guide_names_those_with_one():
    with pytest.raises(CalibrationError, match="with one: thrust_n"):
        CalibrationGuide("rpm", RIG)
    assert "throttle" not in COURSES  # it has to turn: a supervised sweep
