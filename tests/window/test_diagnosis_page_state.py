"""What the diagnosis page shows of a run, and of one beside it, without Qt."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import page_runs
import pytest

from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Event, Run, SlowSamples
from whirlbench.window.pages.diagnosis_page_state import SIGNAL_HEADINGS, TRIP_HEADINGS, DiagnosisPage, diagnosis_page
from whirlbench.window.pages.diagnosis_sheet import comparison_sheet, course_sheet, evidence_sheet, map_sheet

RIG = parse_rig("[propeller]\nblades = 4\n[limits]\nvibration_g_rms = 1.0\n")


@pytest.fixture(scope="module")
def page() -> DiagnosisPage:
    return diagnosis_page(page_runs.shaking_run(grows=True), RIG, page_runs.shaking_run(grows=False, mark_deg=120.0))


def test_the_heading_tells_onset_and_first_trip(page: DiagnosisPage) -> None:
    assert page.report.onset is not None
    assert abs(page.report.onset.at_s - 25.0) < 2.0
    assert page.heading.startswith("growth from")
    # 0.5 g at rest and 0.2 g a second from 25 s on pass 1 g rms, 1.41 g peak, at 29.6 s
    assert page.trips[0].rule == "vibration_g_rms"
    assert abs(page.trips[0].at_s - 29.6) < 0.4
    assert "first trip by the limits: vibration_g_rms" in page.heading


def test_rows_fit_their_headings(page: DiagnosisPage) -> None:
    for rows, headings in ((page.trip_rows, TRIP_HEADINGS), (page.signal_rows, SIGNAL_HEADINGS)):
        assert rows and all(len(row) == len(headings) for row in rows)


def test_trips_that_fired_stand_with_those_that_would_have() -> None:
    run = page_runs.shaking_run(grows=True)
    run = Run(run.slow, run.tach, run.vibration, (Event(39.0, "trip", "overspeed", "6210 rpm"),))
    rows = diagnosis_page(run, RIG).trip_rows
    assert [row[0] for row in rows] == ["vibration_g_rms (would fire)", "overspeed (fired)"]
    assert rows[1][1:3] == ("39.00", "6210 rpm")


def test_the_vector_is_that_of_the_run(page: DiagnosisPage) -> None:
    assert page.view.vectors is not None
    before = page.view.vectors.at(10.0)[0]
    assert abs(before) == pytest.approx(0.5, abs=0.02)
    assert np.degrees(np.angle(before)) == pytest.approx(30.0, abs=3.0)
    assert abs(page.view.vectors.at(39.0)[0]) == pytest.approx(3.3, abs=0.1)
    assert np.isnan(page.view.vectors.at(99.0)).all()
    words = page.words_at(10.0)
    assert (words[0].startswith("1P ay 0.5") and "at 30" in words[0]) or "at 29" in words[0] or "at 31" in words[0]
    assert any(word.startswith("beside: 1P ay") for word in words)


def test_the_trail_is_the_past_only(page: DiagnosisPage) -> None:
    assert page.view.vectors is not None
    trail = page.view.vectors.trail(30.0, 4.0)
    assert trail.shape == (1, 16)
    assert np.nanmax(np.abs(trail)) < 0.5 + 0.2 * 5.3


def test_the_second_run_is_laid_beside_by_speed(page: DiagnosisPage) -> None:
    assert page.beside is not None
    assert np.isfinite(page.second_at(20.0))
    assert np.isnan(page.second_at(-5.0))
    assert page.beside.comparison is not None
    labels = {stroke.label for stroke in comparison_sheet(page.beside.comparison).curves}
    assert {"this run", "beside"} <= labels


def test_a_speed_that_the_second_never_had_is_said() -> None:
    time_s = np.arange(0.0, 40.0, 0.02)
    found = diagnosis_page(
        page_runs.shaking_run(grows=False), None, Run(SlowSamples(time_s, rpm=np.full(len(time_s), 900.0)))
    )
    assert "beside: never at this speed" in found.words_at(20.0)


def test_charts_share_the_time_axis_and_mark_what_was_found(page: DiagnosisPage) -> None:
    course, evidence = course_sheet(page), evidence_sheet(page)
    drawn = map_sheet(page.view, "map", page.blades)
    assert evidence is not None and drawn is not None
    assert course.x_span == evidence.x_span == drawn.x_span
    assert any(rule.label.startswith("onset") for rule in course.lines)
    assert [rule.at for rule in drawn.lines] == [4.0]
    assert [(one.from_x, one.to_x) for one in course.stretches] == [
        (one.from_x, one.to_x) for one in evidence.stretches
    ]
    assert len(course.stretches) == 1
    assert evidence.curves[0].label in [signal.signal for signal in page.report.signals]


def test_the_map_is_dark_at_1p_and_pale_between(page: DiagnosisPage) -> None:
    drawn = map_sheet(page.view, "map", None)
    assert drawn is not None and drawn.heatmap is not None and page.view.picture is not None
    order = page.view.picture.order
    at_late = drawn.heatmap.share[:, -60]
    assert at_late[int(np.argmin(np.abs(order - 1.0)))] > 0.9
    assert np.nanmedian(at_late[(order > 1.5) & (order < 5.0)]) < 0.5


def test_what_cannot_be_judged_is_told() -> None:
    time_s = np.arange(0.0, 3.0, 0.02)
    page = diagnosis_page(Run(SlowSamples(time_s, rpm=np.full(len(time_s), 900.0)), source="short.h5"), None)
    assert page.view.picture is None and page.view.vectors is None
    assert page.heading.startswith("no onset")
    assert any("no vibration was recorded" in note for note in page.notes)
    assert any("no proof of health" in note for note in page.notes)
    assert page.words_at(1.0) == ()


def test_no_qt_is_needed() -> None:
    code = (
        "import sys, whirlbench.window.pages.diagnosis_page_state;"
        "assert not [name for name in sys.modules if 'Qt' in name]"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
