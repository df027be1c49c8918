"""The program's factors of a root against finite elements that share nothing with it: a short form.

The long one, with finer meshes and more shapes, is ``tests/benchmarks/strength/joint_elements.py``; its figures
stand in ``bench/docs/joint_elements.md``.
"""

from __future__ import annotations

import pytest
from plane_elements import bent_in_plane, open_hole, pin_loaded
from solid_elements import flat_bent_over_thickness

from whirlbench.physics.joints import PinLoads, edge_factor, hole_peak_pa
from whirlbench.physics.root_stress import Tang, open_hole_kt, pin_loaded_kt

MESH = (40, 18)
ISSUE = 0.10  # how near the program's factors have to be


def test_the_mesh_gives_the_published_open_hole() -> None:
    """Howland's plate in Peterson's fit (T2 coefficients): mesh and reading of the rim are good to 2 %."""
    assert open_hole(1 / 3, *MESH).peak(1) * (1 - 1 / 3) == pytest.approx(open_hole_kt(1 / 3), rel=0.02)


def test_a_pin_in_a_wide_plate_gives_the_published_peak() -> None:
    """Crews, Hong, Raju, NASA TP-1862 (abstract read, T): 0.87 of the bearing pressure, snug frictionless pin."""
    assert pin_loaded(0.05, 12.0, *MESH).peak(0) * 0.05 == pytest.approx(0.87, rel=0.05)


@pytest.mark.parametrize("share", [0.2, 0.4])
def test_a_pin_loaded_plate(share: float) -> None:
    """The factor is never below the elements, and within 10 % of them."""
    elements = pin_loaded(share, 6.0, *MESH).peak(0) * (1 - share)
    assert elements <= pin_loaded_kt(share) <= (1.0 + ISSUE) * elements


def test_a_short_edge() -> None:
    far, near = (pin_loaded(1 / 3, end, *MESH).peak(0) for end in (6.0, 1.5))
    assert edge_factor(1 / 3, 1 / 1.5) == pytest.approx(near / far, rel=ISSUE)
    assert edge_factor(1 / 3, 1 / 1.5) > 1.1


def test_a_root_bent_in_its_plane() -> None:
    elements = bent_in_plane(1.0, 0.4, 0.0, *MESH).peak(1)
    peak = hole_peak_pa(Tang(1.0, 1.0, 0.4, 0.8, 1, (0.0,)), PinLoads(0.0, 0.0, 1.0), 0.0)
    assert peak.about_bolt_pa == pytest.approx(elements, rel=ISSUE)


def test_two_holes_off_the_middle_bent_in_their_plane() -> None:
    elements = bent_in_plane(24.0, 5.0, 6.0, *MESH).peak(1)
    tang = Tang(24.0, 1.0, 5.0, 10.0, 2, (-6.0, 6.0))
    peak = float(hole_peak_pa(tang, PinLoads(0.0, 0.0, 1.0), 0.0).about_bolt_pa)
    assert elements <= peak <= (1.0 + ISSUE) * elements


def test_a_flat_bent_over_its_thickness() -> None:
    """Solids, d/w 0.2, d/t 1."""
    elements = flat_bent_over_thickness(0.2, 1.0, 8, 5)
    peak = hole_peak_pa(Tang(1.0, 0.2, 0.2, 0.4), PinLoads(0.0, 1.0), 0.0).along_bolt_pa
    assert peak * 0.2**2 / 6.0 == pytest.approx(elements, rel=ISSUE)
