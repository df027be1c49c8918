"""Splitting a correction over the holes that the hub has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from whirlbench.errors import AnalysisError


@dataclass(frozen=True)
class HoleMass:
    """Mass to put into the hole at ``angle_deg``."""

    angle_deg: float
    mass_g: float


@dataclass(frozen=True)
class HoleSplit:
    """Masses by hole (zero ones left out), and the unbalance in g mm that they leave."""

    masses: tuple[HoleMass, ...]
    left_g_mm: float
    left_deg: float


def mass_errors_g(angles_deg: Sequence[float], stderr_g: float) -> tuple[float, ...]:
    """Standard error of the masses at one or two angles, in g, where each part of their sum has ``stderr_g``.

    Two holes near to each other, or opposite, share what they carry badly: the error grows with 1 / sin of the angle
    between them. More holes than two have no error of their own, and get NaN.
    """
    if len(angles_deg) > 2:
        return (math.nan,) * len(angles_deg)
    between = math.radians(angles_deg[-1] - angles_deg[0])
    lever = abs(math.sin(between)) if len(angles_deg) == 2 else 1.0
    return (stderr_g / lever,) * len(angles_deg)


def even_holes(count: int, first_deg: float = 0.0) -> tuple[float, ...]:
    """Angles in degrees of ``count`` holes, evenly spaced, the first at ``first_deg``."""
    if count < 2:
        raise AnalysisError(f"{count} hole(s): at least two are needed to split a correction")
    return tuple((first_deg + 360.0 * index / count) % 360.0 for index in range(count))


def split_over_holes(
    unbalance_g_mm: complex, radius_mm: float, holes_deg: tuple[float, ...], step_g: float = 0.0
) -> HoleSplit:
    """Least added mass in at most two holes that cancels ``unbalance_g_mm`` at ``radius_mm``.

    ``holes_deg``: angles on the rotor from the mark, at least two that differ. ``step_g`` above zero rounds to masses
    that can be had, choosing the rounding that leaves least. Two vectors of different direction span the plane and
    masses are never negative, so the best pair embraces the correction; when no pair does, the nearest single hole is
    used and what is left is said.
    """
    angles = sorted({angle % 360.0 for angle in holes_deg})
    if len(angles) < 2 or radius_mm <= 0 or step_g < 0:
        raise AnalysisError(f"{len(angles)} different hole(s) at {radius_mm:g} mm: give two or more, radius above zero")
    wanted = -unbalance_g_mm / radius_mm
    best: tuple[tuple[float, float], tuple[HoleMass, ...], complex] | None = None
    for pair in combinations(angles, 2):
        for masses in _masses(pair, wanted, step_g):
            left = _left(unbalance_g_mm, radius_mm, masses)
            cost = (round(abs(left), 9), sum(mass.mass_g for mass in masses))
            if best is None or cost < best[0]:
                best = (cost, masses, left)
    assert best is not None
    left = best[2]
    return HoleSplit(best[1], abs(left), float(np.degrees(np.angle(left)) % 360.0))


def _masses(pair: tuple[float, float], wanted: complex, step_g: float) -> list[tuple[HoleMass, ...]]:
    """Candidate masses for one pair of holes: the exact (or nearest not negative) ones, or their roundings."""
    first, second = (complex(np.exp(1j * np.radians(angle))) for angle in pair)
    cross = (first.conjugate() * second).imag
    exact = [0.0, 0.0]
    if abs(cross) > 1e-9:
        exact = [-(second.conjugate() * wanted).imag / cross, (first.conjugate() * wanted).imag / cross]
    if min(exact) < 0 or abs(cross) <= 1e-9:
        along = [(one.conjugate() * wanted).real for one in (first, second)]
        exact = [max(along[0], 0.0), 0.0] if along[0] >= along[1] else [0.0, max(along[1], 0.0)]
    choices = [[mass] if step_g == 0 else _roundings(mass, step_g) for mass in exact]
    return [
        tuple(HoleMass(angle, mass) for angle, mass in zip(pair, chosen, strict=True) if mass > 1e-12)
        for chosen in ((one, two) for one in choices[0] for two in choices[1])
    ]


def _roundings(mass_g: float, step_g: float) -> list[float]:
    low = np.floor(mass_g / step_g) * step_g
    return [float(low), float(low + step_g)]


def _left(unbalance_g_mm: complex, radius_mm: float, masses: tuple[HoleMass, ...]) -> complex:
    added = sum(mass.mass_g * radius_mm * complex(np.exp(1j * np.radians(mass.angle_deg))) for mass in masses)
    return complex(unbalance_g_mm + added)
