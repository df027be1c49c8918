"""What a run was for and what happened, for somebody who was not there: inspections, steps, and what was asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import numpy as np

from whirlbench.results.answer import Verdict
from whirlbench.results.report.chapter import RecordedRun
from whirlbench.results.report.course import _steps, checks_answer
from whirlbench.results.report.run_charts import course_answer
from whirlbench.samples import Event, Run, SlowSamples

NOT_ASKED = cast(Any, None)


def recorded(*events: Event) -> RecordedRun:
    return RecordedRun(Path("a.h5"), Run(events=events), NOT_ASKED, NOT_ASKED, {}, "", None, ())


def test_the_inspections_at_the_stops_of_the_run_count() -> None:
    """They are signed in the recording; the log holds those that were entered by hand."""
    stop = Event(70.4, "plan", "inspected", "A. Tester: 10:00:00+0000 continue")
    answer = checks_answer(recorded(stop, Event(80.0, "note", "inspected", "not one"), stop))
    assert answer.headline == "Check-list answered: not known; inspections at stops of the run: 2, in the log: 0"
    assert answer.judged and not any(item.what == "inspections" for item in answer.not_judged)
    assert [row[1:] for row in answer.table("checks").rows] == 2 * [
        ("stop of the run", "–", "at 70.4 s: A. Tester: 10:00:00+0000 continue")
    ]
    none = checks_answer(recorded())
    assert none.verdict is Verdict.NOT_JUDGED and any(item.what == "inspections" for item in none.not_judged)


def test_what_an_inspection_looks_for_stands_without_its_key() -> None:
    plan = {"step": [{"kind": "inspect", "note": "look for cracks"}, {"kind": "hold", "throttle_us": 1200}]}
    assert [row[2] for row in _steps(plan)] == ["inspect: look for cracks", "hold: throttle pulse 1200 us"]


def test_a_request_of_nothing_is_not_drawn_as_one_of_zero() -> None:
    time_s = np.arange(0.0, 5.0, 0.1)
    for request_rpm, drawn in ((0.0, False), (3000.0, True)):
        request = np.where(time_s > 2.0, request_rpm, np.nan)
        run = Run(SlowSamples(time_s, rpm=np.full(len(time_s), 3000.0), speed_request_rpm=request))
        assert ("run speed_request_rpm" in [chart.key for chart in course_answer(run, None).charts]) == drawn
