"""Servo end points: within the safe range, rounded towards it, and never beyond what was measured."""

from __future__ import annotations

import numpy as np
import pytest
from pitch_stands import limits_for, measured_holds, rig_with

from whirlbench.analysis.pitch_limits import compare_sets, mode_end_points, next_hold_plan, propose_hold, speed_keys
from whirlbench.analysis.pitch_limits.end_points import servo_pulse_us
from whirlbench.errors import AnalysisError, RigError
from whirlbench.rig.description import Rig, pitch_ends_deg
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import check_plan, parse_plan

RISING = ((1000.0, -4.0), (1500.0, 11.0), (2000.0, 26.0))
FALLING = ((1000.0, 26.0), (1500.0, 11.0), (2000.0, -4.0))


def end_points(**limits: float):
    rig = rig_with(**limits)
    return {mode.mode: mode for mode in mode_end_points(limits_for(rig, 5000.0), rig)}, rig


def test_the_flight_range_ends_where_the_limit_binds() -> None:
    modes, rig = end_points(power_w=2600.0)
    coarse = modes["flight"].coarse
    assert coarse is not None
    assert "power_w at 5300 rpm" in coarse.set_by
    pulses, angles = np.array(rig.pitch.table).T
    granted_deg = np.interp(coarse.servo_us, pulses, angles)
    assert granted_deg <= coarse.pitch_deg
    assert coarse.pitch_deg - granted_deg < 0.05


def test_the_rigs_own_range_is_never_widened() -> None:
    modes, rig = end_points(power_w=2600.0)
    for name, mode in modes.items():
        if mode.fine and mode.coarse:
            assert mode.fine.pitch_deg >= rig.modes[name].min_pitch_deg
            assert mode.coarse.pitch_deg <= rig.modes[name].max_pitch_deg


def test_an_unpowered_mode_is_not_bound_by_power() -> None:
    modes, _ = end_points(power_w=100.0)
    assert modes["cut_off"].coarse.set_by == "rig"
    assert modes["flight"].fine is None
    assert "no safe range" in modes["flight"].remark


def test_travel_is_rounded_to_the_safe_side() -> None:
    modes, _ = end_points(power_w=2600.0)
    for mode in modes.values():
        if mode.fine and mode.coarse:
            assert 1500 + 5 * mode.fine.travel_pct >= mode.fine.servo_us
            assert 1500 + 5 * mode.coarse.travel_pct <= mode.coarse.servo_us


@pytest.mark.parametrize("table", [RISING, FALLING])
def test_pulse_for_a_pitch_either_way_round(table) -> None:
    assert servo_pulse_us(11.0, table) == pytest.approx(1500.0)
    assert servo_pulse_us(-4.0, table) in (1000.0, 2000.0)


def test_a_pitch_outside_the_table_is_refused() -> None:
    with pytest.raises(AnalysisError, match=r"pitch 30.0 deg lies outside pitch.table \(-4.0 to 26.0 deg\)"):
        servo_pulse_us(30.0, RISING)
    with pytest.raises(AnalysisError, match="rise and fall"):
        servo_pulse_us(5.0, ((1000.0, 0.0), (1200.0, 9.0), (1400.0, 4.0)))


def test_missing_table_or_modes_are_named() -> None:
    limits = limits_for(rig_with(power_w=2600.0), 5000.0)
    with pytest.raises(RigError, match=r"pitch.table is missing"):
        mode_end_points(limits, Rig())
    with pytest.raises(RigError, match="modes is missing"):
        mode_end_points(limits, parse_rig("[pitch]\ntable = [[1000, 0.0], [2000, 20.0]]"))


def test_the_next_hold_is_safe_and_worth_while() -> None:
    rig = rig_with(power_w=2600.0)
    limits = limits_for(rig, 4800.0, 5000.0, 5200.0)
    proposal = propose_hold(limits, rig)
    assert proposal is not None
    assert proposal.stderr_after_deg < proposal.stderr_before_deg
    power = limits.constraints[0]
    _, upper = power.bounds(np.array([proposal.pitch_deg - 0.1, proposal.pitch_deg]), proposal.rpm)
    assert upper[1] <= 0.9 * power.limit


def test_the_next_hold_becomes_a_plan_that_spin_reads() -> None:
    rig = rig_with(power_w=2600.0)
    limits = limits_for(rig, 5000.0)
    proposal = propose_hold(limits, rig)
    assert proposal is not None
    plan = parse_plan(next_hold_plan(proposal, rig, *speed_keys(limits, rig, measured_holds(), proposal)))
    assert [step.kind for step in plan.steps] == ["hold", "hold", "coast-down"]
    assert plan.steps[1].throttle_pct > plan.steps[0].throttle_pct > 0


@pytest.mark.parametrize("mode", ["pass_through", "throttle", "pitch"])
def test_the_plan_of_the_next_hold_fits_its_rig_whatever_governs(mode: str) -> None:
    rig = parse_rig(example_rig_text().replace('"pass_through"', f'"{mode}"'))
    limits = limits_for(rig_with(power_w=2600.0), 5000.0)
    proposal = propose_hold(limits, rig)
    assert proposal is not None
    check_plan(parse_plan(next_hold_plan(proposal, rig, *speed_keys(limits, rig, measured_holds(), proposal))), rig)


def test_the_next_hold_keeps_within_the_end_points() -> None:
    """Flatter end points than the hold that would tell most: the next best within them is proposed."""
    limits = limits_for(rig_with(power_w=2600.0), 5000.0)
    free = propose_hold(limits, rig_with(power_w=2600.0))
    assert free is not None
    greatest_us = 1133.0 + (free.pitch_deg - 2.0) / 0.03
    narrow = parse_rig(example_rig_text().replace("safe_us = 1200", f"safe_us = 1200\nmax_us = {greatest_us:.0f}"))
    within = propose_hold(limits, narrow)
    assert within is not None and within.pitch_deg < pitch_ends_deg(narrow)[1] < free.pitch_deg


def test_nothing_is_proposed_where_nothing_binds() -> None:
    rig = rig_with(power_w=50_000.0)
    assert propose_hold(limits_for(rig, 4000.0), rig) is None


def test_a_blade_set_does_not_differ_from_itself_but_from_a_stronger_one() -> None:
    rig = rig_with(power_w=2600.0)
    first, again = limits_for(rig, 5000.0, seed=1), limits_for(rig, 5000.0, seed=2)
    assert np.mean([item.confidence > 0.99 for item in compare_sets(first, again)]) < 0.3
    thinner = limits_for(parse_rig(_text_with_density(rig, 1.1 * first.propeller.density_kg_m3)), 5000.0)
    assert all(item.difference_pct < -5.0 for item in compare_sets(first, thinner))
    assert all(item.confidence > 0.99 for item in compare_sets(first, thinner))


def _text_with_density(rig: Rig, density_kg_m3: float) -> str:
    """The example rig told a density that is a tenth too high: every coefficient comes out a tenth too low."""
    from whirlbench.rig.toml import example_rig_text

    return example_rig_text().replace("[air]\n", f"[air]\ndensity_kg_m3 = {density_kg_m3}\n")
