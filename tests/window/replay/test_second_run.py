"""A second run laid over the first: aligned by its beginning, by an event, by speed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from whirlbench.errors import AnalysisError
from whirlbench.results.diagnosis import align_on_rpm
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Event, Run, SlowSamples
from whirlbench.window.replay.second_run import BY_SPEED, BY_TIME, SecondRun

RIG = parse_rig("")


def ramp(begins_s: float, rpm_per_s: float, trip_s: float) -> Run:
    """From 1000 rpm upwards, 40 s long; thrust tells the run's own time."""
    time_s = np.arange(begins_s, begins_s + 40.0, 0.02)
    events = (
        Event(begins_s + 1.0, "state", "turning"),
        Event(begins_s + 3.0, "note", "note", "gust"),
        Event(trip_s, "trip", "overspeed", "6250 rpm"),
    )
    rpm = 1000.0 + rpm_per_s * (time_s - begins_s)
    return Run(SlowSamples(time_s, rpm=rpm, thrust_n=time_s), events=events)


FIRST, SECOND = ramp(0.0, 100.0, 20.0), ramp(5.0, 50.0, 30.0)


@pytest.fixture(scope="module")
def second() -> SecondRun:
    return SecondRun(SECOND, RIG, align_on_rpm(FIRST, SECOND))


def test_ways_are_what_both_runs_have(second: SecondRun) -> None:
    assert second.ways(FIRST) == (BY_TIME, BY_SPEED, "state: turning", "trip: overspeed")
    assert replace(second, by_speed=None).ways(Run()) == (BY_TIME,)
    with pytest.raises(AnalysisError, match="'abort: operator'"):
        second.over(FIRST, "abort: operator")


@pytest.mark.parametrize(("way", "own_s"), [(BY_TIME, 15.0), ("state: turning", 15.0), ("trip: overspeed", 20.0)])
def test_by_time_and_event_the_second_run_is_shifted(second: SecondRun, way: str, own_s: float) -> None:
    assert second.over(FIRST, way)["thrust_n"].at(10.0) == pytest.approx(own_s, abs=0.02)


def test_by_speed_each_moment_has_the_one_of_like_speed(second: SecondRun) -> None:
    laid = second.over(FIRST, BY_SPEED)
    assert laid["rpm"].at(10.0) == pytest.approx(2000.0, rel=0.02)
    assert laid["thrust_n"].at(10.0) == pytest.approx(25.0, abs=1.0)  # 2000 rpm comes at 20 s of a run that begins at 5
    assert math.isnan(laid["rpm"].at(35.0))  # 4500 rpm was never reached
