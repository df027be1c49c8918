"""`balance` on stands that it does not know: right, or wide, or refused by name.

The long form, a hundred runs a kind, is tests/benchmarks/balance/foreign_balance.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from balance_runs import held_run, polar

from whirlbench.analysis.balance import Trial, balance_runs, balance_with_influence, vectors_1p
from whirlbench.errors import AnalysisError

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks" / "balance"))

from foreign_balance import COUPLED, KINDS, NEAR, Kind, answer, coverage, errors, outcome

COUPLE = "a couple beside, three axes"


def test_the_stated_bands_hold_the_truth() -> None:
    """Two runs of each kind, 66 parts: 95 % would be 63; nine in ten is 59."""
    outcomes = [outcome(kind, seed) for name, kind in KINDS.items() if name != COUPLE for seed in (0, 1)]
    assert not any(one.refusal for one in outcomes)
    assert coverage(outcomes) >= 0.9
    assert np.sqrt(np.mean(np.abs(errors(outcomes)) ** 2) / 2.0) < 1.2


def test_just_below_a_resonance_a_trial_run_faster_by_1_5_percent_is_right() -> None:
    """The case of old: 420 g mm at 130 deg, told as 268 +/- 2 at 117."""
    truth, rng = polar(420.0, 130.0), np.random.default_rng(5)
    runs = (held_run(NEAR, 4420.0, truth, rng), held_run(NEAR, 4420.0 * 1.015, truth + polar(200.0, 30.0), rng))
    found = balance_runs(runs[0], [Trial(runs[1], 5.0, 30.0, 40.0)])
    assert abs(found.vector_g_mm - truth) < 2.5 * found.stderr_g_mm < 0.1 * abs(truth)
    assert found.turn_deg_per_pct > 5.0 and found.apart == pytest.approx(0.015, abs=0.0025)  # each wanders


def test_the_slope_of_the_stand_s_answer_is_told_by_the_speed_s_own_wander() -> None:
    vectors = vectors_1p(held_run(NEAR, 4420.0, polar(300.0, 10.0), np.random.default_rng(3)))
    rpm = float(vectors.rpm[0])
    for axis in range(2):
        ends = [complex(answer(NEAR, np.array(rpm * ratio), axis, 1.0)) for ratio in (0.9999, 1.0001)]
        true = np.log(ends[1] / ends[0]) / 2e-4
        assert vectors.log_slope is not None and vectors.log_slope_stderr is not None
        assert abs(vectors.log_slope[0, axis] - true) < 3.5 * vectors.log_slope_stderr[0, axis] < 2.5


def test_speeds_that_cannot_be_compared_are_refused_by_name() -> None:
    truth, rng = polar(420.0, 130.0), np.random.default_rng(6)
    runs = (held_run(NEAR, 4600.0, truth, rng), held_run(NEAR, 4600.0 * 1.028, truth + polar(200.0, 30.0), rng))
    with pytest.raises(AnalysisError, match=r"speeds differ by 2\.\d %: a resonance is near; repeat the hold within"):
        balance_runs(runs[0], [Trial(runs[1], 5.0, 30.0, 40.0)])


def test_a_couple_is_named_and_what_it_leaves_is_told() -> None:
    outcomes = [outcome(KINDS[COUPLE], seed) for seed in range(4)]
    assert all(one.found is not None and one.found.couple for one in outcomes)
    for one in outcomes:
        assert one.found is not None and one.found.left_share == pytest.approx(one.left_share, abs=0.05)
    plain = outcome(Kind(COUPLED, faster=(0.002,)), 1).found
    assert plain is not None and not plain.couple and plain.left_share < 0.05


def test_trials_beyond_the_first_make_it_surer() -> None:
    one, three = outcome(KINDS["far, 1.5 % faster"], 4).found, outcome(KINDS["far, three trials"], 4).found
    assert one is not None and three is not None and three.stderr_g_mm < 0.6 * one.stderr_g_mm


def test_an_influence_kept_without_its_slope_leaves_a_wider_answer() -> None:
    rng = np.random.default_rng(8)
    runs = (held_run(NEAR, 4300.0, 200.0, rng), held_run(NEAR, 4300.0, 350.0, rng))
    kept = balance_runs(runs[0], [Trial(runs[1], 3.75, 0.0, 40.0)]).influence
    bare = type(kept)(kept.rpm, kept.axes, kept.g_per_g_mm, kept.stderr)
    later = held_run(NEAR, 4330.0, polar(90.0, 70.0), rng)
    known, unknown = (balance_with_influence(later, one) for one in (kept, bare))
    for found in (known, unknown):
        assert abs(found.vector_g_mm - polar(90.0, 70.0)) < 3.0 * found.stderr_g_mm
    assert unknown.stderr_g_mm >= known.stderr_g_mm
