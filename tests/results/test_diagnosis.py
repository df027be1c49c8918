"""What the diagnosis page shows of a run, and of one laid beside it by speed."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import page_runs
import pytest

from whirlbench.errors import AnalysisError
from whirlbench.results.answer import Level, Verdict
from whirlbench.results.diagnosis import Diagnosis, align_on_rpm, compare_order, diagnosis
from whirlbench.results.onset import onset_answer, onset_study
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

RIG = parse_rig("[propeller]\nblades = 4\n[limits]\nvibration_g_rms = 1.0\n")
UP_AND_DOWN = [(0, 1500), (5, 1500), (15, 4500), (25, 4500), (35, 1500), (40, 1500)]
LATER_AND_SLOWER = [(0, 1500), (8, 1500), (28, 4500), (33, 4500), (53, 1500), (58, 1500)]


def spin(rpm_points: list[tuple[float, float]], size_g: float = 0.5, seed: int = 0) -> Run:
    """A run through (time, rpm) points with 1P of ``size_g`` at any speed, on one axis."""
    at_s, rpm = np.array(rpm_points, float).T
    time_s = np.arange(at_s[0], at_s[-1], 1 / 1600)
    hz = np.interp(time_s, at_s, rpm) / 60.0
    turn = np.concatenate([[0.0], np.cumsum((hz[1:] + hz[:-1]) / 2 / 1600)])
    pulses = np.interp(np.arange(0, np.floor(turn[-1])), turn, time_s)
    noise = 0.02 * np.random.default_rng(seed).standard_normal(len(time_s))
    slow_s = np.arange(at_s[0], at_s[-1], 0.02)
    return Run(
        slow=SlowSamples(slow_s, rpm=np.interp(slow_s, at_s, rpm)),
        tach=TachPulses(pulses),
        vibration=VibrationSamples(time_s, ay_g=size_g * np.cos(2 * np.pi * turn) + noise, rate_hz=1600.0),
    )


@pytest.fixture(scope="module")
def shown() -> Diagnosis:
    return diagnosis(page_runs.shaking_run(grows=True), RIG, page_runs.shaking_run(grows=False, mark_deg=120.0))


def test_headline_tables_and_document_are_those_of_the_onset(shown: Diagnosis) -> None:
    alone = onset_answer(onset_study(page_runs.shaking_run(grows=True), RIG))
    assert shown.answer.headline == alone.headline
    assert shown.answer.tables == alone.tables
    assert shown.answer.as_document() == alone.as_document()


def test_the_vector_is_that_of_the_run(shown: Diagnosis) -> None:
    assert shown.view.vectors is not None
    before = shown.view.vectors.at(10.0)[0]
    assert abs(before) == pytest.approx(0.5, abs=0.02)
    assert np.degrees(np.angle(before)) == pytest.approx(30.0, abs=3.0)
    assert abs(shown.view.vectors.at(39.0)[0]) == pytest.approx(3.3, abs=0.1)
    assert np.isnan(shown.view.vectors.at(99.0)).all()
    words = shown.words_at(10.0)
    assert words[0].startswith("1P ay 0.")
    assert float(words[0].split()[2]) == pytest.approx(0.5, abs=0.02)
    assert float(words[0].split()[-1].rstrip("°")) == pytest.approx(30.0, abs=3.0)
    assert any(word.startswith("beside: 1P ay") for word in words)


def test_the_past_of_a_vector_is_the_past_only(shown: Diagnosis) -> None:
    assert shown.view.vectors is not None
    past = shown.view.vectors.before(30.0, 4.0)
    assert past.shape == (1, 16)
    assert np.nanmax(np.abs(past)) < 0.5 + 0.2 * 5.3


def test_the_second_run_is_laid_beside_by_speed(shown: Diagnosis) -> None:
    assert shown.beside is not None
    assert np.isfinite(shown.second_at(20.0))
    assert np.isnan(shown.second_at(-5.0))
    assert {"this run", "beside"} <= {curve.label for curve in shown.answer.chart("1P").curves}


def test_a_speed_that_the_second_never_had_is_said() -> None:
    time_s = np.arange(0.0, 40.0, 0.02)
    slow = Run(SlowSamples(time_s, rpm=np.full(len(time_s), 900.0)), source="slow.h5")
    found = diagnosis(page_runs.shaking_run(grows=False), None, slow)
    assert "beside: never at this speed" in found.words_at(20.0)
    assert any("slow.h5: no vibration was recorded" in remark.text for remark in found.answer.remarks)


def test_charts_share_the_time_axis_and_mark_what_was_found(shown: Diagnosis) -> None:
    speed, evidence, drawn = (shown.answer.chart(key) for key in ("speed", "evidence", "order map"))
    assert speed.x_span == evidence.x_span == drawn.x_span
    assert [line.at for line in drawn.lines] == [4.0]
    assert [(one.from_x, one.to_x) for one in speed.stretches] == [(one.from_x, one.to_x) for one in evidence.stretches]
    assert len(speed.stretches) == 1


def test_the_map_is_dark_at_1p_and_pale_between(shown: Diagnosis) -> None:
    heatmap = shown.answer.chart("order map").heatmap
    assert heatmap is not None
    order = np.linspace(*heatmap.y, heatmap.share.shape[0])
    at_late = heatmap.share[:, -60]
    assert at_late[int(np.argmin(np.abs(order - 1.0)))] > 0.9
    assert np.nanmedian(at_late[(order > 1.5) & (order < 5.0)]) < 0.5


def test_what_cannot_be_judged_is_told() -> None:
    time_s = np.arange(0.0, 3.0, 0.02)
    found = diagnosis(Run(SlowSamples(time_s, rpm=np.full(len(time_s), 900.0)), source="short.h5"), None)
    assert [chart.key for chart in found.answer.charts] == ["speed"]
    assert found.view.vectors is None and found.words_at(1.0) == ()
    assert found.answer.verdict is Verdict.NOT_JUDGED
    assert found.answer.headline == "onset not judged"
    notes = [remark.text for remark in found.answer.remarks if remark.level is Level.NOTE]
    assert any("no vibration was recorded" in note for note in notes)


def test_the_order_map_has_its_line_at_order_one() -> None:
    heatmap = diagnosis(spin(UP_AND_DOWN), None).answer.chart("order map").heatmap
    assert heatmap is not None
    order = np.linspace(*heatmap.y, heatmap.share.shape[0])
    middle = heatmap.share[:, heatmap.share.shape[1] // 2]
    assert order[int(np.nanargmax(middle))] == pytest.approx(1.0, abs=0.05)
    assert np.nanmin(heatmap.share) >= 0.0


def test_runs_are_aligned_on_speed_and_direction() -> None:
    first, second = spin(UP_AND_DOWN), spin(LATER_AND_SLOWER, seed=1)
    alignment = align_on_rpm(first, second)
    assert alignment.second_at(10.0) == pytest.approx(18.0, abs=1.0)  # 3000 rpm, rising
    assert alignment.second_at(30.0) == pytest.approx(43.0, abs=1.0)  # 3000 rpm, falling
    assert np.isnan(alignment.second_at(999.0))
    falling = align_on_rpm(spin([(0, 4500), (10, 1500), (12, 1500)]), first)
    assert falling.second_at(5.0) == pytest.approx(30.0, abs=1.0)  # not the same speed on the way up, though sooner
    faster = align_on_rpm(spin([(0, 1500), (10, 6000), (20, 6000)]), second)
    assert np.isnan(faster.second_at(15.0))


def test_one_order_of_two_runs_against_speed() -> None:
    compared = compare_order(spin(UP_AND_DOWN, 0.5), spin(LATER_AND_SLOWER, 0.8, seed=1), "ay_g")
    both = np.isfinite(compared.first_g) & np.isfinite(compared.second_g)
    assert both.sum() > 40
    assert np.median(compared.first_g[both]) == pytest.approx(0.5, abs=0.02)
    assert np.median(compared.second_g[both]) == pytest.approx(0.8, abs=0.02)
    with pytest.raises(AnalysisError, match="no az_g"):
        compare_order(spin(UP_AND_DOWN), spin(UP_AND_DOWN), "az_g")


def test_runs_without_speed_cannot_be_aligned() -> None:
    with pytest.raises(AnalysisError, match="no rpm channel"):
        align_on_rpm(Run(), Run())


def test_no_qt_is_needed() -> None:
    code = "import sys, whirlbench.results.diagnosis; assert not [name for name in sys.modules if 'Qt' in name]"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
