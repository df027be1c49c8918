"""Answers for the pages, computed once for all tests: a second computation would cost seconds and show nothing new."""

from __future__ import annotations

import functools

import page_runs
import pytest
from msgspec.structs import replace as changed

from whirlbench.analysis.pitch_limits import end_points
from whirlbench.results.answer import Answer
from whirlbench.results.check import StrengthCheck, check_answer, check_strength
from whirlbench.results.diagnosis import Diagnosis, diagnosis
from whirlbench.results.limits import charts as limits_charts
from whirlbench.results.limits import limits_answer, limits_study
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.pages.page_work import tune_work
from whirlbench.window.pages.worker import Doing

TEXT = example_rig_text()


@functools.cache
def strength() -> StrengthCheck:
    """The example's blade sets, judged."""
    return check_strength(parse_rig(TEXT))


@functools.cache
def check() -> Answer:
    """What the check page shows first."""
    return check_answer(strength(), parse_rig(TEXT))


@functools.cache
def tune() -> Answer:
    """Steps of a well-known lag."""
    work = tune_work(page_runs.HeldSubject(rig_text=TEXT, first=page_runs.step_run()))
    return next(answer for answer in work if not isinstance(answer, Doing))


@functools.cache
def limits() -> Answer:
    """Holds of the example's stand, at few speeds."""
    rig = parse_rig(TEXT)
    bare = changed(rig, propeller=changed(rig.propeller, blade_set=None), limits=changed(rig.limits, current_a=35.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits_charts, "SPEEDS", 5)
        patch.setattr(end_points, "SPEEDS_PER_MODE", 2)
        return limits_answer(limits_study([page_runs.hold_run()], bare))


@functools.cache
def diagnosed() -> Diagnosis:
    """A shake that grows, beside one that does not."""
    return diagnosis(page_runs.shaking_run(grows=True), parse_rig(TEXT), page_runs.shaking_run(grows=False))
