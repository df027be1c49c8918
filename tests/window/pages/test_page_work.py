"""The work behind the pages, run here without a process of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import page_runs
import pytest

from whirlbench.errors import RigError
from whirlbench.results.answer import Answer
from whirlbench.results.chart import Chart
from whirlbench.results.diagnosis import Diagnosis
from whirlbench.rig.toml import example_rig_text
from whirlbench.samples import Run
from whirlbench.window.pages.page_work import Subject, check_work, diagnosis_work, limits_work, tune_work
from whirlbench.window.pages.worker import Doing

TEXT = example_rig_text()


def first_result(answers) -> object:
    return next(answer for answer in answers if not isinstance(answer, Doing))


def test_the_check_needs_no_recording() -> None:
    work = check_work(Subject(rig_text=TEXT))
    assert first_result(work).headline.startswith("moulded nylon: fit")
    assert work.send(0).headline.startswith("printed flat, plain root: NOT FIT")


def test_without_any_rig_that_is_said() -> None:
    with pytest.raises(RigError, match="no rig: the recording holds none"):
        first_result(limits_work(page_runs.HeldSubject(first=page_runs.hold_run())))


def test_a_faulty_rig_is_told_by_its_own_name() -> None:
    subject = page_runs.HeldSubject(rig_text="[limits]\nrpm = 1\n", rig_name="mine.toml", first=page_runs.step_run())
    with pytest.raises(RigError, match=r"mine\.toml"):
        first_result(tune_work(subject))


def test_the_rig_in_the_recording_is_used_when_no_file_was_named() -> None:
    run = Run(rig_text="[propeller]\nblades = 3\n", source="r.h5")
    rig = Subject().rig(run)
    assert rig is not None and rig.propeller.blades == 3
    other = Subject(rig_text="[propeller]\nblades = 5\n").rig(run)
    assert other is not None and other.propeller.blades == 5


def test_the_knob_changes_gains_and_forecast_but_not_what_was_measured() -> None:
    work = tune_work(page_runs.HeldSubject(rig_text=TEXT, first=page_runs.step_run()))
    advised = first_result(work)
    calm = work.send(0.6)
    assert isinstance(advised, Answer) and isinstance(calm, Answer)
    assert advised.document["advice"]["closed_loop_time_s"] < 0.2
    assert calm.document["advice"]["closed_loop_time_s"] == 0.6
    assert calm.headline != advised.headline
    assert [len(forecasts(answer)) for answer in (advised, calm)] == [2, 2]
    curves = [answer.chart("forecast request").curves[0] for answer in (advised, calm)]
    request_rise = [np.interp(0.3, curve.x, curve.y) for curve in curves]
    assert request_rise[0] > 1.5 * request_rise[1]
    measured = [[chart for chart in answer.charts if chart.key.startswith("step")] for answer in (advised, calm)]
    assert len(measured[0]) == 6
    assert all(np.array_equal(a.curves[0].y, b.curves[0].y) for a, b in zip(*measured, strict=True))
    assert work.send(None).document["advice"] == advised.document["advice"]


def forecasts(answer: Answer) -> list[Chart]:
    return [chart for chart in answer.charts if chart.key.startswith("forecast")]


def test_forecasts_stay_inside_their_band() -> None:
    work = tune_work(page_runs.HeldSubject(rig_text=TEXT, first=page_runs.step_run()))
    answer = first_result(work)
    assert isinstance(answer, Answer)
    assert len(forecasts(answer)) == 2
    for chart in forecasts(answer):
        (curve,), (band,) = chart.curves, chart.bands
        assert np.all(band.low <= curve.y + 1e-9) and np.all(curve.y <= band.high + 1e-9)


def test_a_second_recording_is_compared() -> None:
    first, second = page_runs.step_run(), page_runs.step_run(7)
    subject = page_runs.HeldSubject(
        rig_text=TEXT,
        first=Run(first.slow, first.tach, source="a.h5"),
        second=Run(second.slow, second.tach, source="b.h5"),
    )
    answer = first_result(tune_work(subject))
    assert isinstance(answer, Answer)
    assert [row[0] for row in answer.table("comparison").rows[:-1]] == ["a", "b"]


def test_the_diagnosis_needs_no_rig() -> None:
    found = first_result(diagnosis_work(page_runs.HeldSubject(first=page_runs.shaking_run(grows=True))))
    assert isinstance(found, Diagnosis)
    assert found.answer.document["trips"] == [] and found.answer.document["onset"] is not None


def test_a_recording_that_is_not_there_is_named() -> None:
    from whirlbench.errors import RecordingError

    with pytest.raises(RecordingError, match=r"nowhere\.h5"):
        first_result(diagnosis_work(Subject(Path("nowhere.h5"))))
