"""Calibrations in words: errors beside every figure, what was not measured is named."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.calibration.axis_fit import AxisFit
from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line
from whirlbench.calibration.pitch_fit import GaugeReading, fit_pitch
from whirlbench.calibration.throttle_ends import ThrottleEnds
from whirlbench.results.answer import Level, Verdict
from whirlbench.results.stand import axis_answer, line_answer, pitch_answer, throttle_answer
from whirlbench.rig.description import Calibration

UP = [0.0, 20.0, 40.0, 60.0, 80.0]


def line(values, bow=0.0):
    points = [KnownPoint(value, 84000.0 + 8000.0 * value * (1.0 + bow * value)) for value in values]
    return fit_line(points, "N", "thrust_n")


def pitch(sides):
    readings = [GaugeReading(pulse, pulse * 0.03, side) for side in sides for pulse in (1000.0, 1500.0, 2000.0)]
    return pitch_answer(fit_pitch(readings), readings)


def test_a_line_gone_one_way_leaves_hysteresis_open():
    assert [item.what for item in line_answer(line(UP), "thrust_n").not_judged] == ["hysteresis"]
    assert line_answer(line([*UP, *UP[-2::-1]]), "thrust_n").verdict is Verdict.JUDGED


def test_every_point_stands_in_the_table_and_in_the_chart():
    found = line_answer(line([*UP, *UP[-2::-1]]), "thrust_n")

    assert len(found.table("points").rows) == 9
    assert sum(len(curve.x) for curve in found.chart("residuals").curves) == 9


@pytest.mark.parametrize(("bow", "told"), [(0.0, False), (1e-3, True)])
def test_a_bow_is_a_caution(bow, told):
    levels = [remark.level for remark in line_answer(line([*UP, *UP[-2::-1]], bow), "thrust_n").remarks]

    assert (Level.CAUTION in levels) is told


def test_play_that_was_not_measured_is_not_known():
    assert "play not known" in pitch((True,)).headline
    assert [item.what for item in pitch((True,)).not_judged] == ["play of the linkage"]
    assert pitch((True, False)).verdict is Verdict.JUDGED


def test_an_axis_that_was_not_read_is_named():
    found = axis_answer(AxisFit({"ax_g": 0.004}, {"ax_g": 0.0}, 0.1))

    assert {item.what for item in found.not_judged} == {"vibration along y", "vibration along z"}


@pytest.mark.parametrize(("reached", "verdict"), [(True, Verdict.JUDGED), (False, Verdict.IN_PART)])
def test_a_full_throttle_that_was_not_reached_is_open(reached, verdict):
    found = throttle_answer(ThrottleEnds(1000.0, 1100.0, 1900.0, reached))

    assert found.verdict is verdict
    assert any("propeller off" in remark.text for remark in found.remarks)


def test_no_figure_in_the_headline_stands_without_its_error():
    assert "±" in line_answer(line([*UP, *UP[-2::-1]]), "thrust_n").headline
    assert np.isfinite(pitch((True, False)).document["stderr"]["deg"])


@pytest.mark.parametrize(
    ("had", "times"), [(1 / 8000, ""), (1.4 / 8000, ""), (9.81 / 8000, "0.102 times"), (-1 / 8000, "-1 times")]
)
def test_a_gain_that_is_nothing_like_the_one_before_is_pointed_out(had, times):
    """Kilograms typed for newtons lie on a straight line, too; so does a cell that is mounted upside down."""
    had_so_far = Calibration(unit="N", units_per_count=had)
    cautions = [one.text for one in line_answer(line(UP), "thrust_n", had_so_far).remarks if one.level is Level.CAUTION]

    assert [times in text for text in cautions] == ([True] if times else [])
    assert not [one for one in line_answer(line(UP), "thrust_n").remarks if one.level is Level.CAUTION]
