"""`limits` on logs and propellers that it does not know: the safe pitch is safe, slow logs have holds.

The long form, a hundred runs a kind, is tests/benchmarks/pitch_limits/foreign_limits.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from limit_runs import Logging, Propeller, held_run

from whirlbench.analysis.pitch_limits.study import survey_holds
from whirlbench.analysis.propeller import find_holds
from whirlbench.samples import Run, SlowSamples

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks" / "pitch_limits"))

from foreign_limits import KINDS, cases_of, judge


def test_the_safe_pitch_is_safe_over_a_few_runs_of_each_kind() -> None:
    """Fourteen runs, some thirty-five limits: 5 % are two; the long form states the rate."""
    verdict = judge([case for logging in KINDS.values() for seed in (40, 41) for case in cases_of(logging, seed)])
    assert verdict["cases"] >= 25 and verdict["unsafe_pct"] <= 8.0
    assert verdict["covered_pct"] >= 88.0
    assert verdict["worst_deg"] < 0.3 and verdict["distance_deg"] < 0.8


@pytest.mark.parametrize(
    "logging",
    [Logging(10.0, jitter=0.3), Logging(1.0, 20.0), Logging(20.0, blank=0.2, pauses=6), Logging(4.0, 12.0)],
    ids=["10 Hz", "1 Hz", "blanks and pauses", "4 Hz"],
)
def test_every_hold_of_a_slow_or_broken_log_is_found(logging: Logging) -> None:
    survey = find_holds(held_run(Propeller(), logging, np.random.default_rng(2)))
    assert len(survey.holds) >= 18
    for hold in survey.holds:
        near = min(abs(hold.rpm.mean / rpm - 1.0) for rpm in logging.speeds_rpm)
        assert near < 0.005 and min(abs(hold.pitch_deg.mean - at) for at in logging.pitches_deg) < 0.1
        assert hold.thrust_n.stderr > 0.0


def test_a_log_too_slow_for_its_holds_says_so() -> None:
    run = held_run(Propeller(), Logging(0.5, 9.0), np.random.default_rng(2))
    survey = survey_holds([run])
    assert not survey.holds
    assert any("of a log with a sample every 2 s are needed" in item.reason for item in survey.rejected)


def test_blanks_in_the_speed_are_no_standstill_but_too_many_are_no_hold() -> None:
    time_s, rng = np.arange(0.0, 12.0, 0.05), np.random.default_rng(1)
    rpm = 4000.0 + 3.0 * rng.standard_normal(len(time_s))
    some, many = (np.where(rng.uniform(size=len(time_s)) < share, np.nan, rpm) for share in (0.3, 0.7))
    (hold,) = find_holds(Run(SlowSamples(time_s, rpm=some))).holds
    assert hold.to_s - hold.from_s > 9.0
    assert len(find_holds(Run(SlowSamples(time_s, rpm=many))).holds) <= 1
    resting = find_holds(Run(SlowSamples(time_s, rpm=np.where(np.isfinite(some), 0.0, np.nan)))).holds
    assert resting == ()
