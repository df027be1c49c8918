"""Monte Carlo over tolerances, against linear error propagation by an independent package and by hand."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from uncertainties import ufloat

from whirlbench.analysis.strength import MonteCarlo, check_strength, permitted_speed
from whirlbench.rig.blade_sets import Tolerances
from whirlbench.rig.toml import example_rig_text, parse_rig

RIG = """
[propeller]
blades = 2
diameter_m = 0.254
[limits]
overspeed_rpm = 8000
[blade_sets.bare]
mass_kg = 0.005
cg_radius_m = 0.060
material = "moulded_nylon"
temperature_factor = 1.0
brittle = false
[blade_sets.bare.root]
kind = "tang"
hole_radius_m = 0.012
width_m = 0.020
thickness_m = 0.005
hole_diameter_m = 0.003
edge_distance_m = 0.012
bending_at_hole = 0.0
weld_line = false
[blade_sets.bare.tolerances]
dimension_mm = {dimension}
mass_pct = {mass}
cg_mm = {cg}
strength_pct = {strength}
"""


def drawn(seed: int = 1, **tolerances: float) -> MonteCarlo:
    rows = {"dimension": 0.0, "mass": 0.0, "cg": 0.0, "strength": 0.0, **tolerances}
    found = check_strength(parse_rig(RIG.format(**rows)), seed=seed).monte_carlo["bare"]
    assert found is not None
    return found


def test_no_tolerance_no_spread() -> None:
    low, middle, high = drawn().permitted_rpm
    assert low == middle == high


def test_spread_of_the_reserve_agrees_with_error_propagation() -> None:
    """Independent reference: `uncertainties` on bearing, F / (d t), which governs; 5 to 95 % is 3.29 deviations."""
    found = drawn(dimension=0.06, mass=4.0, cg=1.0, strength=10.0)
    speed = 2.0 * np.pi * 8000.0 / 60.0
    pull = ufloat(0.005, 0.005 * 0.02) * ufloat(0.060, 0.0005) * speed**2
    hole, thickness = ufloat(0.003, 3e-5), ufloat(0.005, 3e-5)
    reserve = ufloat(50e6, 2.5e6) / (pull / (hole * thickness))
    low, middle, high = found.reserve_factor
    assert max(found.weakest, key=lambda name: found.weakest[name]) == "bearing"
    assert middle == pytest.approx(reserve.nominal_value, rel=0.005)
    assert (high - low) / (2.0 * 1.6449) == pytest.approx(reserve.std_dev, rel=0.03)


def test_the_same_seed_gives_the_same_sample() -> None:
    assert drawn(seed=7, mass=5.0) == drawn(seed=7, mass=5.0)
    assert drawn(seed=7, mass=5.0) != drawn(seed=8, mass=5.0)
    assert drawn(seed=7, mass=5.0).seed == 7


def test_probability_of_exceeding_against_the_normal_integral() -> None:
    """With scatter in strength alone the probability is a normal tail: worked with the error function."""
    from scipy.stats import norm

    text = RIG.format(dimension=0.0, mass=0.0, cg=0.0, strength=60.0)
    check = check_strength(parse_rig(text), speed_rpm=12000.0, seed=3)
    found, reserve = check.monte_carlo["bare"], check.fitted.reserve_factor
    assert found is not None and reserve > 1.0
    expected = norm.cdf((1.0 / reserve - 1.0) / 0.30)
    assert found.exceeds_strength == pytest.approx(expected, abs=4.0 * np.sqrt(expected / found.samples))


def test_the_worst_section_of_the_blade_is_in_the_sample() -> None:
    """Every station drawn here apart from the check, which follows a few only: the worst of all is the same."""
    rig = parse_rig(example_rig_text())
    at_the_shaft = rig.limits.motor_torque_n_m / rig.motor.gear_ratio  # little torque: the load is pull and thrust
    free = msgspec.structs.replace(rig.limits, tip_mach=None, motor_torque_n_m=at_the_shaft)
    tolerances = Tolerances(dimension_mm=0.1, mass_pct=0.0, cg_mm=0.0, strength_pct=0.0)
    drilled = msgspec.structs.replace(
        rig.blade_sets["moulded"].root, weld_line=False, width_m=0.03, hole_diameter_m=0.009, edge_distance_m=0.025
    )
    blades = msgspec.structs.replace(rig.blade_sets["moulded"], tolerances=tolerances, root=drilled, brittle=False)
    check = check_strength(msgspec.structs.replace(rig, blade_sets={"moulded": blades}, limits=free))
    found, sections = check.monte_carlo["moulded"], check.fitted.sections
    assert found is not None and sections is not None
    assert max(found.weakest, key=lambda name: found.weakest[name]) == "blade section"
    rng = np.random.default_rng(11)
    wider, thicker = (5e-5 * rng.standard_normal((4000, 1)) for _ in range(2))
    c, t = sections.chord_m / (sections.chord_m + wider), sections.thickness_m / (sections.thickness_m + thicker)
    stress = sections.direct_pa * c * t + sections.flap_pa * c * t**2 + sections.edge_pa * t * c**2
    blade = check.fitted.mode("blade")
    assert blade is not None
    expected = np.quantile(blade.allowable.value_pa / stress.max(axis=1), (0.05, 0.5, 0.95))
    assert found.reserve_factor == pytest.approx(expected, rel=0.004)
    assert found.reserve_factor[2] - found.reserve_factor[0] == pytest.approx(expected[2] - expected[0], rel=0.06)


def test_few_coupons_spread_wider_than_many() -> None:
    coupons = "[blade_sets.bare.coupons]\ntension_mpa = {}\n"
    base = RIG.format(dimension=0.0, mass=0.0, cg=0.0, strength=0.0)
    widths = []
    for count in (3, 24):
        values = [48.0, 50.0, 52.0] * (count // 3)
        found = check_strength(parse_rig(base + coupons.format(values))).monte_carlo["bare"]
        assert found is not None
        widths.append(found.reserve_factor[2] - found.reserve_factor[0])
    assert widths[0] > 1.5 * widths[1]


def test_small_probabilities_are_not_told_finer_than_the_sample() -> None:
    found = drawn(mass=1.0)
    assert found.told(0.0) == "below 0.0005"
    assert found.told(0.25) == "0.25"


def test_a_blank_tolerance_is_no_zero() -> None:
    """What the rig does not give is assumed, told, and spreads as if it had been stated."""
    text = RIG.format(dimension=0, mass=0, cg=0, strength=0).split("[blade_sets.bare.tolerances]")[0]
    silent = check_strength(parse_rig(text), seed=1)
    chance = silent.monte_carlo["bare"]
    assert chance.assumed == ("dimension_mm", "mass_pct", "cg_mm", "strength_pct") and not chance.rests_on_the_rig
    assert any("tolerances that the rig does not give are assumed" in line for line in silent.assumptions)
    stated = drawn(dimension=0.2, mass=3.0, cg=1.0, strength=15.0)
    assert chance.permitted_rpm == pytest.approx(stated.permitted_rpm, rel=1e-12)


def test_the_figure_to_act_on_is_the_five_percent_end_and_never_above_the_drawing() -> None:
    check = check_strength(parse_rig(RIG.format(dimension=0.1, mass=4.0, cg=1.0, strength=20.0)), seed=1)
    found = check.fitted
    assert found.permitted_rpm == found.chance.permitted_rpm[0] < found.nominal_rpm
    for mode in found.modes:
        assert mode.permitted_rpm >= found.nominal_rpm or not mode.judged
    assert found.chance.permitted_rpm[1] == pytest.approx(found.nominal_rpm, rel=0.01)


def test_the_permitted_speed_does_not_depend_on_the_speed_asked_about() -> None:
    rig = parse_rig(example_rig_text())
    slow, fast = (check_strength(rig, speed_rpm=rpm).fitted for rpm in (2000.0, 6000.0))
    assert slow.permitted_rpm == pytest.approx(fast.permitted_rpm, rel=1e-9)
    assert slow.chance.permitted_rpm == fast.chance.permitted_rpm
    assert permitted_speed(rig).rpm == pytest.approx(fast.permitted_rpm, rel=1e-9)


def test_the_spread_splits_over_its_inputs() -> None:
    """Only mass and strength scatter; the speed goes with the root of either, so shares go with their variances."""
    split = drawn(mass=6.0, strength=8.0).split
    assert set(split) == {"mass", "strength, moulded_nylon tension no layers"} or len(split) == 2
    assert split["mass"] == pytest.approx(0.03**2 / (0.03**2 + 0.04**2), abs=0.03)
    assert drawn().split == {}


@pytest.mark.parametrize("trip", [9000, 10_000, 20_000])
def test_a_trip_inside_or_above_the_band_is_told(trip: int) -> None:
    text = RIG.format(dimension=0.1, mass=4.0, cg=1.0, strength=20.0).replace("rpm = 8000", f"rpm = {trip}")
    check = check_strength(parse_rig(text), speed_rpm=8000.0, seed=1)
    told = [line for line in (*check.warnings, *check.cautions) if "limits.overspeed_rpm" in line]
    low, nominal = check.fitted.permitted_rpm, check.fitted.nominal_rpm
    expected = "" if trip <= low else "inside the band" if trip <= nominal else "lies above"
    assert (expected in told[0]) if expected else told == []
    assert any("lies above" in line for line in check.warnings) == (trip > nominal)
