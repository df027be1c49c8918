"""Calibrated figures on the surfaces of an answer: each with its error, each marked beyond what was calibrated."""

from __future__ import annotations

import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from whirlbench.analysis.propeller import Hold, Measured
from whirlbench.results.figures.readings import hold_error, prolonged_remarks, reading_words, with_calibration
from whirlbench.results.labels import spoken
from whirlbench.results.limits.limits import _hold_row
from whirlbench.results.report.comparison import Pair, _pair_row, _pairs
from whirlbench.results.report.run_charts import course_answer
from whirlbench.results.trips import case_of, trips_answer, trips_study
from whirlbench.rig.description import Calibration, Rig, Vibration
from whirlbench.rig.limits import Limits, caution_words
from whirlbench.safety.batch import Trip
from whirlbench.safety.reading_errors import read_as, trip_words
from whirlbench.samples import Run, SlowSamples

THRUST = Calibration(unit="N", units_per_count=0.1, stderr_gain_pct=3.0, residual=0.4, span=(0.0, 40.0))
CURRENT = Calibration(unit="A", units_per_count=0.1, stderr_gain_pct=4.0, span=(0.0, 50.0))
VOLTAGE = Calibration(unit="V", units_per_count=0.1, stderr_gain_pct=3.0, span=(30.0, 45.0))
RIG = Rig(
    limits=Limits(thrust_n=45.0, power_w=2000.0),
    calibration={"thrust_n": THRUST, "current_a": CURRENT, "voltage_v": VOLTAGE},
    vibration=Vibration(stderr_pct=5.0),
)
HOLD = Hold(
    "a.h5", 1.0, 9.0, Measured(4000.0, 1.0), Measured(8.0, 0.0), Measured(30.0, 0.1), Measured(25.0, 0.1),
    Measured(40.0, 0.1), Measured(1400.0, 0.0), Measured(1000.0, 3.0), Measured(1.0, 0.01),
)  # fmt: skip


def run(**last: float) -> Run:
    """Four steady seconds; the last sample of each channel named is another."""
    values = {"rpm": 4000.0, "thrust_n": 30.0, "current_a": 25.0, "voltage_v": 40.0, "throttle_us": 1400.0}
    time_s = np.arange(0.0, 4.0, 0.01)
    columns = {name: np.full(len(time_s), value) for name, value in values.items()}
    for name, value in last.items():
        columns[name][-30:] = value
    return Run(SlowSamples(time_s, **columns))


def test_a_mean_carries_the_error_of_its_calibration_and_power_that_of_both() -> None:
    assert hold_error(RIG, HOLD, "thrust_n") == pytest.approx(math.hypot(0.9, 0.4))
    assert hold_error(RIG, HOLD, "power_w") == pytest.approx(50.0)  # 5 %, of 4 and 3
    assert math.isnan(hold_error(RIG, HOLD, "rpm")) and math.isnan(hold_error(None, HOLD, "thrust_n"))
    assert with_calibration(Measured(30.0, 3.0), 4.0).stderr == pytest.approx(5.0)
    assert with_calibration(HOLD.rpm, math.nan) == HOLD.rpm


def test_holds_of_the_pitch_limits_are_shown_with_it_and_marked() -> None:
    assert _hold_row(HOLD, RIG)[3] == "30.0 ± 1.0" and _hold_row(HOLD, Rig())[3] == "30.0 ± 0.1"
    small = replace(HOLD, rpm=Measured(4000.0, 0.32), vibration_g_rms=Measured(1.0, 0.0))
    assert _hold_row(small, Rig())[1] == "4000 ± 0.3" and _hold_row(small, Rig())[7] == "1.00 ± 0.00"
    beyond = replace(HOLD, current_a=Measured(60.0, 0.1), power_w=Measured(2400.0, 3.0))
    row = _hold_row(beyond, RIG)
    assert row[4].endswith("prolonged") and row[6].endswith("prolonged") and not row[5].endswith("prolonged")


def test_a_run_says_which_channels_left_what_was_calibrated() -> None:
    assert not list(prolonged_remarks(run(), RIG)) and not list(prolonged_remarks(run(thrust_n=60.0), None))
    (remark,) = prolonged_remarks(run(thrust_n=60.0), RIG)
    assert remark.text == "thrust reads 60 N: beyond what was calibrated, the line is prolonged"
    (low,) = prolonged_remarks(run(voltage_v=20.0), RIG)
    assert low.text.startswith("pack voltage reads 20 V")


def test_the_course_of_a_run_tells_peaks_with_error_and_mark() -> None:
    answer = course_answer(run(thrust_n=60.0), RIG)
    assert "thrust up to 60 ± 1.8 N prolonged" in answer.headline and "current up to 25 ± 1 A" in answer.headline
    assert [one.text for one in answer.remarks] == [
        "thrust reads 60 N: beyond what was calibrated, the line is prolonged"
    ]
    assert reading_words(None, "thrust_n", 60.0, "N") == "60 N"


def test_a_value_that_tripped_is_told_with_error_and_mark() -> None:
    answer = trips_answer(trips_study([case_of(run(thrust_n=60.0, current_a=60.0), healthy=True)], RIG))
    rows = {row[1]: row[3] for row in answer.table("trips").rows}
    assert rows["thrust"] == "60 ± 1.8 N prolonged"
    assert rows["power"] == "2400 ± 120 W prolonged"
    found = {one["rule"]: one for one in answer.document["trips"]}
    assert found["power_w"]["stderr"] == pytest.approx(120.0) and found["power_w"]["prolonged"]
    sure = trips_answer(trips_study([case_of(run(thrust_n=60.0), healthy=True)], Rig(limits=Limits(thrust_n=45.0))))
    assert sure.table("trips").rows[0][3] == "60 N"


def pairs(first: Rig, second: Rig | None) -> dict[str, Pair]:
    return {
        one.quantity: one
        for one in _pairs(HOLD, HOLD, {"thrust_n": 0.0, "power_w": 0.0, "vibration_g_rms": 0.0}, first, second)
    }


def test_a_difference_carries_what_the_calibrations_do_not_share() -> None:
    """Power by current and voltage, vibration by its scale; each figure has its own error in any case."""
    other = msgspec.structs.replace(
        RIG,
        calibration={
            **RIG.calibration,
            "voltage_v": msgspec.structs.replace(VOLTAGE, stderr_gain_pct=0.0, residual=2.0),
        },
        vibration=Vibration(stderr_pct=12.0),
    )
    same, apart = pairs(RIG, RIG), pairs(RIG, other)
    assert same["electrical power"].stderr_pct < 0.5 < 8.0 < apart["electrical power"].stderr_pct
    assert same["thrust"].stderr_pct == pytest.approx(apart["thrust"].stderr_pct)
    assert apart["vibration"].stderr_pct == pytest.approx(13.0, abs=0.2)
    assert _pair_row(same["thrust"], False)[3].startswith("30 ± 0.99 N")


def test_a_difference_between_calibrations_of_unknown_error_is_not_judged() -> None:
    bare = msgspec.structs.replace(
        RIG, calibration={**RIG.calibration, "thrust_n": Calibration(unit="N", units_per_count=0.1)}
    )
    found = pairs(RIG, bare)
    assert math.isnan(found["thrust"].chance) and _pair_row(found["thrust"], False)[-1] == "not judged"
    assert math.isfinite(found["vibration"].chance)


@pytest.mark.parametrize(
    ("trip", "words"),
    [
        (Trip("thrust_n", 1.0, 50.0, 45.0), "thrust 50 ± 1.6 N, limit 45 N, prolonged"),
        (Trip("power_w", 1.0, 2100.0, 2000.0), "power 2100 ± 100 W, limit 2000 W"),
        (Trip("vibration_g_rms", 1.0, 4.0, 3.0), "vibration 4 ± 0.2 g rms, limit 3 g rms"),
        (Trip("lost_tach_ms", 1.0, 260.0, 250.0), "lost tach 260 ms, limit 250 ms"),
        (Trip("frozen_samples", 1.0, 0.0, 40.0), "frozen samples 0, limit 40"),
        (Trip("sag_pct", 1.0, 30.0, 20.0), caution_words("sag_pct", 30.0, 20.0)),
    ],
)
def test_a_trips_line_says_what_its_value_errs_by(trip: Trip, words: str) -> None:
    """Products by the readings of that moment; a time, a count of samples and a trend have no calibration to err by."""
    time_s, ones = np.array([0.5, 1.0, 1.5]), np.ones(3)
    slow = {"current_a": np.array([1.0, 50.0, 90.0]), "voltage_v": 42.0 * ones}
    assert spoken(trip_words(trip, read_as(RIG, trip, time_s, slow))) == words


def test_what_nothing_told_has_no_error() -> None:
    trip = Trip("power_w", 1.0, 2100.0, 2000.0)
    for slow in ({}, {"current_a": np.array([50.0])}, {"current_a": np.empty(0), "voltage_v": np.empty(0)}):
        time_s = next(iter(slow.values()), np.empty(0))
        read = read_as(RIG, trip, time_s, slow)
        assert math.isnan(read.stderr) and read.mark == "" and trip_words(trip, read) == trip.text()
    slow = {"current_a": np.array([50.0, math.nan]), "voltage_v": np.array([42.0, math.nan])}
    before = read_as(RIG, trip, np.array([2.0, 3.0]), slow)
    assert before.stderr == pytest.approx(105.0), "the first sample, where none came before"
