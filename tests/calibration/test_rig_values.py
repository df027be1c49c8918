"""What a rig holds of calibrations: day, figures, standard errors; what nobody found is never a zero."""

from __future__ import annotations

import msgspec
import pytest

from whirlbench.calibration.rig_values import NEVER, in_force
from whirlbench.rig.description import Calibration, Pitch, Rig, Tach, Transmitter, Vibration

LINE = Calibration(
    "N",
    100.0,
    -0.5,
    stderr_zero=0.2,
    stderr_gain_pct=1.0,
    residual=0.3,
    hysteresis=0.4,
    span=(0, 90),
    date="2026-05-01",
)


def only(rig, channel):
    (found,) = [one for one in in_force(rig) if one.channel == channel]
    return found


def figures(rig, channel):
    return {figure.quantity: (figure.value, figure.stderr) for figure in only(rig, channel).figures}


def test_a_line_has_its_errors_in_its_own_units():
    found = figures(Rig(calibration={"thrust_n": LINE}), "thrust_n")

    assert found["zero"] == (100.0, pytest.approx(0.4))  # 0.2 N at half a newton a count
    assert found["gain"] == (-0.5, pytest.approx(0.005))
    assert found["one reading"] == (None, 0.3)
    assert (found["hysteresis"][0], found["calibrated from"][0], found["calibrated to"][0]) == (0.4, 0, 90)


def test_an_error_that_nobody_gave_is_not_known_and_not_zero():
    found = only(Rig(calibration={"thrust_n": Calibration("N", 100.0, 0.5)}), "thrust_n")

    assert all(figure.stderr is None for figure in found.figures)
    assert "± 0" not in found.sentence and found.sentence.count("not known") == 3 and NEVER in found.sentence


def test_every_part_tells_its_day_and_its_error():
    rig = Rig(
        pitch=Pitch(table=((1000, -4.0), (1500, 9.0), (2000, 26.0)), stderr_deg=0.2, play_deg=0.5, play_stderr_deg=0.1,
                    date="2026-05-02"),
        tach=Tach(clock_correction=1.002, stderr_pct=0.1, date="2026-05-03"),
        vibration=Vibration(g_per_count=0.004, stderr_pct=2.0, date="2026-05-04"),
        transmitter=Transmitter(stderr_middle_us=0.6, stderr_full_travel_us=0.7, date="2026-05-05"),
    )  # fmt: skip

    assert figures(rig, "pitch") == {"at 1000 us": (-4.0, 0.2), "at 2000 us": (26.0, 0.2), "play": (0.5, 0.1)}
    assert figures(rig, "tach")["clock correction"] == (1.002, pytest.approx(0.001002))
    assert figures(rig, "vibration")["scale"] == (0.004, pytest.approx(8e-5))
    assert figures(rig, "transmitter") == {"0 %": (1500.0, 0.6), "100 %": (500.0, 0.7)}
    days = {one.channel: one.date for one in in_force(rig)}
    assert days == {
        "pitch": "2026-05-02", "tach": "2026-05-03", "vibration": "2026-05-04", "throttle": None,
        "transmitter": "2026-05-05",
    }  # fmt: skip


def test_what_is_not_fitted_is_left_out_and_what_is_assumed_says_so():
    found = {one.channel: one.sentence for one in in_force(Rig())}

    assert "pitch" not in found and "thrust_n" not in found
    assert found["vibration"] == f"vibration, {NEVER}: scale 0.0039 ± not known g/count"


def test_a_new_point_is_another_sentence():
    moved = msgspec.structs.replace(LINE, zero_counts=101.0)

    assert only(Rig(calibration={"a": LINE}), "a").sentence != only(Rig(calibration={"a": moved}), "a").sentence
