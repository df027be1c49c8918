"""Cross-sections: area and bending properties of an aerofoil or a rectangle from its chord and thickness."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

SHAPES = ("aerofoil", "rectangle")
# NACA four-digit thickness form: half thickness over chord of a 100 % thick section. NACA Report 460, from memory
FOUR_DIGIT = (2.969 / 2, -1.260 / 2, -3.516 / 2, 2.843 / 2, -1.015 / 2)


@dataclass(frozen=True)
class SectionProperties:
    """Each field has the shape of chord and thickness; *flap* bends the thin way, *edge* the wide way."""

    area_m2: np.ndarray
    flap_inertia_m4: np.ndarray
    edge_inertia_m4: np.ndarray
    flap_modulus_m3: np.ndarray  # inertia over the distance of the farthest fibre
    edge_modulus_m3: np.ndarray


@dataclass(frozen=True)
class ShapeFactors:
    """Area / (c t), flap inertia / (c t^3), edge inertia / (t c^3), farthest edge fibre / c."""

    area: float
    flap: float
    edge: float
    edge_fibre: float


def section_properties(shape: str, chord_m: np.ndarray, thickness_m: np.ndarray) -> SectionProperties:
    """Properties of sections of a ``shape`` ("aerofoil" or "rectangle") about their own centroid.

    ``chord_m`` and ``thickness_m`` are arrays of one shape in m; NaN stays NaN. An aerofoil is the uncambered
    NACA four-digit thickness form; camber stiffens it and is left out. Another name raises ValueError.
    """
    factors = shape_factors(shape)
    chord, thickness = np.asarray(chord_m, dtype=float), np.asarray(thickness_m, dtype=float)
    flap = factors.flap * chord * thickness**3
    edge = factors.edge * thickness * chord**3
    return SectionProperties(
        area_m2=factors.area * chord * thickness,
        flap_inertia_m4=flap,
        edge_inertia_m4=edge,
        flap_modulus_m3=flap / (thickness / 2.0),
        edge_modulus_m3=edge / (factors.edge_fibre * chord),
    )


@cache
def shape_factors(shape: str) -> ShapeFactors:
    """Factors of a ``shape``: exact for the rectangle, by Gauss quadrature of the thickness form for the aerofoil."""
    if shape == "rectangle":
        return ShapeFactors(1.0, 1.0 / 12.0, 1.0 / 12.0, 0.5)
    if shape != "aerofoil":
        raise ValueError(f"shape {shape!r} is unknown: expected one of {', '.join(SHAPES)}")
    node, weight = np.polynomial.legendre.leggauss(40)
    root_x, weight = (node + 1.0) / 2.0, weight / 2.0  # integrate over sqrt(x), where the form is a polynomial
    x, dx = root_x**2, 2.0 * root_x * weight
    a0, a1, a2, a3, a4 = FOUR_DIGIT
    half = a0 * root_x + a1 * x + a2 * x**2 + a3 * x**3 + a4 * x**4
    area = float(np.sum(2.0 * half * dx))
    centre = float(np.sum(2.0 * half * x * dx)) / area
    edge = float(np.sum(2.0 * half * (x - centre) ** 2 * dx))
    return ShapeFactors(area, float(np.sum(2.0 / 3.0 * half**3 * dx)), edge, 1.0 - centre)
