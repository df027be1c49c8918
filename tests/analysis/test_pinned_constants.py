"""Constants of the analyses that nothing else would miss: each held by a figure worked out apart from it.

Each fails when its line is changed by a tenth. Those of joints and allowables stand in strength/test_safety_constants.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from whirlbench.analysis.balance.single_plane import balance_vectors
from whirlbench.analysis.balance.speed_shift import pole_slope, shifted
from whirlbench.analysis.balance.vectors import Vectors1P, _fit
from whirlbench.analysis.governor.advice import _period_noise_rpm
from whirlbench.analysis.onset.beginning import Likelihood
from whirlbench.analysis.onset.commands import speed_moves
from whirlbench.analysis.onset.dating import _signal_onset
from whirlbench.analysis.onset.growths import PRIOR
from whirlbench.analysis.orders.rotation import angle_from_pulses
from whirlbench.analysis.propeller.hold_means import Measured
from whirlbench.analysis.propeller.holds import Hold
from whirlbench.analysis.propeller.propeller_map import Estimate, coefficient_points, fit_coefficient
from whirlbench.analysis.speed_loop import SpeedLoop
from whirlbench.analysis.speed_loop.lever_steps import _move
from whirlbench.analysis.speed_loop.record import _turns_in
from whirlbench.analysis.strength.allowables import IN_LAYERS, Strengths
from whirlbench.physics.materials import PUBLISHED
from whirlbench.physics.materials.knock_downs import warmth
from whirlbench.rig.blade_sets import BladeSet
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import TachPulses

NOTHING = Measured(math.nan, math.nan)


def test_bearing_without_a_figure_of_its_own_is_no_better_than_the_tension() -> None:
    material = next(one for one in PUBLISHED.values() if one.bearing is None and one.family == "printed")
    strengths = Strengths("set", BladeSet(material="-"), material)
    assert strengths.bearing(IN_LAYERS).value_pa == pytest.approx(strengths.tension(IN_LAYERS).value_pa, rel=1e-9)


@pytest.mark.parametrize(("name", "share"), [("printed_pla", 0.70), ("printed_petg", 0.80), (None, 0.80)])
def test_warmth_leaves_what_the_table_assumes(name: str | None, share: float) -> None:
    material = None if name is None else PUBLISHED[name]
    assert warmth(material, 40.0).factor == pytest.approx(share, rel=1e-9)


def test_a_posterior_is_tempered_by_four_fifths() -> None:
    """A normal likelihood of 2 s: its 95 % are those of 2 s over the root of 0.8, and a blur at either end."""
    begin_s = np.arange(0.0, 60.0, 0.05)
    nats = -0.5 * ((begin_s - 30.0) / 2.0) ** 2
    likelihood = Likelihood(begin_s, np.repeat(nats[:, None], len(PRIOR), axis=1))
    watch = SimpleNamespace(name="thrust", caution_s=lambda level: 59.0)
    onset = _signal_onset(cast(Any, watch), likelihood, 0.0)
    width_s = onset.to_s - onset.from_s
    blur_s = 2.0 * (0.25 + 0.025)
    assert width_s - blur_s == pytest.approx(2.0 * 1.96 * 2.0 / math.sqrt(0.8), rel=0.02)


def test_a_speed_moves_from_two_percent_in_a_second() -> None:
    time_s = np.arange(0.0, 10.0, 0.5)
    assert not speed_moves(4000.0 * np.exp(0.0195 * time_s), 0.5)[1:-1].any()
    assert speed_moves(4000.0 * np.exp(0.0205 * time_s), 0.5)[1:-1].all()


def test_the_error_of_the_speed_goes_into_ct_twice_and_into_cp_three_times() -> None:
    exact = {name: Measured(value, 0.0) for name, value in (("thrust_n", 50.0), ("power_w", 900.0))}
    rest = dict.fromkeys(("current_a", "voltage_v", "throttle_us", "vibration_g_rms"), NOTHING)
    hold = Hold("run", 0.0, 9.0, rpm=Measured(4000.0, 40.0), pitch_deg=Measured(8.0, 0.0), **exact, **rest)
    points = coefficient_points([hold], parse_rig("[propeller]\ndiameter_m = 0.56\n"), 1.2)
    assert points.ct.stderr[0] / points.ct.value[0] == pytest.approx(0.02, rel=1e-6)
    assert points.cp.stderr[0] / points.cp.value[0] == pytest.approx(0.03, rel=1e-6)


def test_a_rigid_stand_answers_with_the_square_of_the_speed() -> None:
    """Without a slope of its own a vector 3 % faster is brought back by 1.03 squared; k = 10 turns it by 10 x 3 %."""
    away = np.array([math.log(1.03)])
    still, _ = shifted(np.array([1.0 + 0.0j]), np.array([0.0j]), away)
    assert still[0] == pytest.approx(1.03**-2, rel=1e-9)
    moved, doubt = shifted(np.array([1.0 + 0.0j]), np.array([10.0 + 0.0j]), away)
    assert moved[0] == pytest.approx(1.03**-2 * (1.0 - 10.0 * away[0]), rel=1e-9)
    assert doubt[0] == pytest.approx(0.5 * 1.03**-2 * (math.exp(-10.0 * away[0]) - (1.0 - 10.0 * away[0])), rel=1e-6)


def test_a_slope_that_nothing_tells_lies_within_25_of_a_rigid_stand_s() -> None:
    steep, error = pole_slope(np.zeros((1, 2), complex), np.full((1, 2), np.inf), np.zeros((1, 2)))
    assert steep[0] == 0.0 and error[0] == pytest.approx(25.0, rel=1e-9)


def test_a_misfit_widens_the_errors_by_what_it_exceeds_them() -> None:
    """Two rows with one truth and errors of 0.01, then the second off across its direction, which moves no solution."""

    def found(off: float) -> tuple[float, float]:
        size = (np.array([3000.0]), ("ay_g", "az_g"))
        runs = [np.array([[1.0, 2.0]]), np.array([[2.0 + 2.0 * off, 4.0 - off]])]
        told = balance_vectors([Vectors1P(*size, run, np.full((1, 2), 0.01)) for run in runs], [100.0])
        return told.stderr_g_mm, float(told.influence.stderr[0, 0])

    plain, widened = found(0.0), found(0.025)
    values = np.array([[1.0, 2.0], [2.05, 3.975]]).T / 0.01
    singular = np.linalg.svd(values, compute_uv=False)
    factor = singular[1] / math.sqrt(2.0)  # one complex residual is left over, of two parts
    assert factor > 1.5
    assert widened[0] / plain[0] == pytest.approx(factor, rel=0.05)
    assert widened[1] / plain[1] == pytest.approx(factor, rel=0.05)


def test_the_influence_s_error_for_one_row_is_that_of_the_difference() -> None:
    """H = (V1 - V0) / T: root of two times 0.01 over 100 g mm, for each part."""
    size = (np.array([3000.0]), ("ay_g",))
    runs = [Vectors1P(*size, np.array([[value]]), np.full((1, 1), 0.01)) for value in (1.0, 2.0)]
    told = balance_vectors(runs, [100.0])
    assert told.influence.stderr[0, 0] == pytest.approx(math.sqrt(2.0) * 0.01 / 100.0, rel=1e-3)
    assert told.influence.g_per_g_mm[0, 0] == pytest.approx(0.01, rel=1e-6)


def test_a_hold_s_vector_beside_a_resonance_is_that_at_its_mean_speed() -> None:
    """H = exp(2 x) / (1 - k x) over 1.5 % of speed either way: the plain mean is one percent beside."""
    away, pole = np.linspace(-0.015, 0.015, 40), 10.0 + 5.0j
    values = 2.0 * np.exp(2.0 * away) / (1.0 - pole * away)
    assert abs(values.mean() / 2.0 - 1.0) > 0.008
    value, _, slope, _ = _fit(4000.0 * np.exp(away), values)
    assert abs(value / 2.0 - 1.0) < 0.002
    assert abs(slope - (pole + 2.0)) < 0.5


@pytest.mark.parametrize(("holds", "trend"), [(7, False), (8, True), (9, True)])
def test_a_trend_in_speed_takes_eight_holds(holds: int, trend: bool) -> None:
    pitch, rpm = np.linspace(4.0, 18.0, holds), np.where(np.arange(holds) % 2, 5000.0, 4200.0)
    values = Estimate(0.01 * pitch, np.full(holds, 1e-4))
    assert fit_coefficient("CT", pitch, rpm, values).trend is trend


@pytest.mark.parametrize(("ratio", "turns"), [(1.61, 2.0), (1.59, 1.0), (2.39, 2.0), (2.41, 1.0)])
def test_a_period_within_a_fifth_of_twice_its_neighbours_hides_one_pulse(ratio: float, turns: float) -> None:
    periods = np.full(20, 0.015)
    periods[10] *= ratio
    pulses = TachPulses(np.concatenate([[0.0], np.cumsum(periods)]))
    angle = angle_from_pulses(pulses)
    ends = angle.at(pulses.time_s[[9, 12]])
    assert ends[1] - ends[0] == pytest.approx(turns + 2.0)


@pytest.mark.parametrize(("ratio", "turns"), [(1.71, 2.0), (1.69, math.nan), (2.29, 2.0), (2.31, math.nan)])
def test_a_period_within_15_percent_of_a_multiple_holds_missed_edges(ratio: float, turns: float) -> None:
    periods = np.full(21, 0.015)
    periods[10] *= ratio
    assert _turns_in(periods)[0][10] == pytest.approx(turns, nan_ok=True)


def test_a_staircase_began_half_a_stair_before_its_first_riser() -> None:
    """Five risers 0.2 s apart from 1.0 s on: the ramp went from 0.9 to 1.9 s."""
    time_s = np.arange(0.0, 4.0, 0.01)
    level = 1000.0 + 10.0 * np.clip(np.floor((time_s - 1.0 + 1e-9) / 0.2) + 1.0, 0.0, 5.0)
    move = _move(time_s, level, np.flatnonzero(np.diff(level)) + 1)
    assert (move.start_s, move.end_s) == pytest.approx((0.9, 1.9), abs=1e-6)


def test_one_period_of_the_tach_carries_the_jitter_of_both_its_edges() -> None:
    """At 3000 rpm: a jitter of 10 us (variance 1e-10 s2) moves 20 ms by 14 us, 2.12 rpm; bare has one edge's."""
    noise = SimpleNamespace(steady=0.0, jitter=1e-10)
    averaged, bare = (cast(SpeedLoop, SimpleNamespace(averaged=one, noise=noise)) for one in (True, False))
    assert _period_noise_rpm(averaged, 3000.0) == pytest.approx(2.1213, rel=1e-3)
    assert _period_noise_rpm(bare, 3000.0) == pytest.approx(1.5, rel=1e-6)
