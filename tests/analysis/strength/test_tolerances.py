"""Monte Carlo over tolerances, against linear error propagation by an independent package and by hand."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from uncertainties import ufloat

from whirlbench.analysis.strength import MonteCarlo, check_strength
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
[blade_sets.bare.root]
kind = "tang"
hole_radius_m = 0.012
width_m = 0.020
thickness_m = 0.005
hole_diameter_m = 0.003
edge_distance_m = 0.012
bending_at_hole = 0.0
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
    """Thickness alone scattered, bending alone: reserve goes with its square, so its spread is twice as wide."""
    rig = parse_rig(example_rig_text())
    tolerances = Tolerances(dimension_mm=0.1, strength_pct=0.0)
    blades = msgspec.structs.replace(rig.blade_sets["moulded"], tolerances=tolerances)
    check = check_strength(msgspec.structs.replace(rig, blade_sets={"moulded": blades}))
    found, sections = check.monte_carlo["moulded"], check.fitted.sections
    assert found is not None and sections is not None
    assert max(found.weakest, key=lambda name: found.weakest[name]) == "blade section"
    direct, bending = sections.worst_parts_pa
    chord = ufloat(sections.worst_chord_m, 5e-5)
    thickness = ufloat(sections.worst_thickness_m, 5e-5)
    stress = direct * sections.worst_chord_m * sections.worst_thickness_m / (chord * thickness)
    stress += bending * sections.worst_chord_m * sections.worst_thickness_m**2 / (chord * thickness**2)
    reserve = 40e6 / stress
    low, middle, high = found.reserve_factor
    assert middle == pytest.approx(reserve.nominal_value, rel=0.005)
    assert (high - low) / (2.0 * 1.6449) == pytest.approx(reserve.std_dev, rel=0.05)


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


def test_without_tolerances_nothing_is_drawn() -> None:
    text = RIG.format(dimension=0, mass=0, cg=0, strength=0).split("[blade_sets.bare.tolerances]")[0]
    assert check_strength(parse_rig(text)).monte_carlo["bare"] is None
