"""Section properties against brute-force sums over a fine grid."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.physics.sections import section_properties, shape_factors


def half_thickness(x: np.ndarray) -> np.ndarray:
    """NACA four-digit half thickness over chord of a section as thick as it is wide."""
    return 5.0 * (0.2969 * np.sqrt(x) - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4)


def test_aerofoil_factors_against_a_fine_sum() -> None:
    x = (np.arange(400_000) + 0.5) / 400_000
    half, dx = half_thickness(x), 1.0 / 400_000
    area = np.sum(2.0 * half) * dx
    centre = np.sum(2.0 * half * x) * dx / area
    factors = shape_factors("aerofoil")
    assert factors.area == pytest.approx(area, rel=1e-5)
    assert factors.flap == pytest.approx(np.sum(2.0 / 3.0 * half**3) * dx, rel=1e-5)
    assert factors.edge == pytest.approx(np.sum(2.0 * half * (x - centre) ** 2) * dx, rel=1e-5)
    assert factors.edge_fibre == pytest.approx(1.0 - centre, rel=1e-5)


def test_the_form_is_as_thick_as_it_says() -> None:
    x = np.linspace(0.0, 1.0, 100_001)
    assert 2.0 * half_thickness(x).max() == pytest.approx(1.0, abs=0.002)


def test_rectangle_is_exact() -> None:
    found = section_properties("rectangle", np.array([0.03]), np.array([0.006]))
    assert found.area_m2[0] == pytest.approx(1.8e-4)
    assert found.flap_modulus_m3[0] == pytest.approx(0.03 * 0.006**2 / 6.0)
    assert found.edge_modulus_m3[0] == pytest.approx(0.006 * 0.03**2 / 6.0)


def test_an_aerofoil_is_lighter_and_weaker_than_its_box() -> None:
    box, foil = (section_properties(shape, np.array([0.03]), np.array([0.006])) for shape in ("rectangle", "aerofoil"))
    assert foil.area_m2[0] < box.area_m2[0]
    assert foil.flap_modulus_m3[0] < box.flap_modulus_m3[0]


def test_an_unknown_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="aerofoil, rectangle"):
        section_properties("ellipse", np.array([1.0]), np.array([1.0]))
