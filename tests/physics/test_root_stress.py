"""Properties of the root stresses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from whirlbench.physics.joints import PinLoads, along_bolt_pa, hole_peak_pa
from whirlbench.physics.root_stress import (
    Tang,
    bearing_pa,
    bond_shear_pa,
    neck_pa,
    net_section_pa,
    open_hole_kt,
    pin_loaded_kt,
    shear_out_pa,
)


def peak_pa(tang: Tang, pull_n: np.ndarray | float) -> np.ndarray | float:
    """Peak by the pins alone, all bolts alike."""
    return hole_peak_pa(tang, PinLoads(pull_n), pull_n / tang.bolts).sum_pa


growth = st.floats(1.001, 3.0)
pulls = st.floats(1.0, 1e4)


@st.composite
def tangs(draw: st.DrawFn) -> Tang:
    hole, bolts = draw(st.floats(0.002, 0.01)), draw(st.integers(1, 3))
    return Tang(
        width_m=bolts * hole * draw(st.floats(1.3, 6.0)),
        thickness_m=draw(st.floats(0.003, 0.03)),
        hole_diameter_m=hole,
        edge_distance_m=hole * draw(st.floats(0.7, 5.0)),
        bolts=bolts,
    )


@given(tangs(), pulls, growth)
def test_stress_falls_when_the_section_grows(tang: Tang, pull: float, factor: float) -> None:
    thicker = replace(tang, thickness_m=factor * tang.thickness_m)
    for stress in (net_section_pa, bearing_pa, shear_out_pa, peak_pa):
        assert stress(thicker, pull) < stress(tang, pull)
    assert net_section_pa(replace(tang, width_m=factor * tang.width_m), pull) < net_section_pa(tang, pull)
    assert shear_out_pa(replace(tang, edge_distance_m=factor * tang.edge_distance_m), pull) < shear_out_pa(tang, pull)


@given(tangs(), pulls, growth)
def test_stress_is_proportional_to_the_pull(tang: Tang, pull: float, factor: float) -> None:
    for stress in (net_section_pa, bearing_pa, shear_out_pa, peak_pa):
        assert stress(tang, factor * pull) == pytest.approx(factor * stress(tang, pull), rel=1e-9)


@given(tangs(), pulls)
def test_more_bolts_share_the_bearing_and_cut_the_net_section(tang: Tang, pull: float) -> None:
    assume((tang.bolts + 1) * tang.hole_diameter_m < tang.width_m)
    more = replace(tang, bolts=tang.bolts + 1)
    assert bearing_pa(more, pull) < bearing_pa(tang, pull)
    assert net_section_pa(more, pull) > net_section_pa(tang, pull)


def test_an_unknown_path_is_refused() -> None:
    with pytest.raises(ValueError, match="forty_degrees"):
        shear_out_pa(Tang(0.012, 0.005, 0.004, 0.008), 1.0, "long")


def test_pin_loaded_factor_never_below_the_open_hole_and_finite_everywhere() -> None:
    x = np.linspace(0.01, 0.99, 99)
    factor = pin_loaded_kt(x)
    assert np.all(factor >= open_hole_kt(np.minimum(x, 0.75)))
    assert np.all(np.diff(factor) <= 0.0)
    assert np.all(np.isfinite(factor))


def test_arrays_go_through_in_one_call() -> None:
    width = np.array([0.010, 0.012, 0.014])
    many = peak_pa(Tang(width, 0.005, 0.004, 0.008), np.array([900.0, 1000.0, 1100.0]))
    single = [peak_pa(Tang(w, 0.005, 0.004, 0.008), pull) for w, pull in zip(width, (900.0, 1e3, 1.1e3), strict=True)]
    assert many == pytest.approx(single)


def test_bending_beside_the_hole_by_hand() -> None:
    tang = Tang(0.020, 0.010, 0.005, 0.010)
    assert along_bolt_pa(tang, 1.0) == pytest.approx(1.0 / (0.015 * 0.010**2 / 6.0))


def test_neck_and_bond_by_hand() -> None:
    assert neck_pa(1000.0, 0.0, 0.0, 0.02, 0.01) == pytest.approx(5e6)
    assert neck_pa(0.0, 1.0, 2.0, 0.02, 0.01) == pytest.approx(1.0 / (0.02 * 1e-4 / 6.0) + 2.0 / (0.01 * 4e-4 / 6.0))
    assert bond_shear_pa(900.0, 0.02, 0.01, 0.03) == pytest.approx(900.0 / (0.06 * 0.03))
