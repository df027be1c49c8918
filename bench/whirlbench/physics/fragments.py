"""A blade or a piece of one that lets go: speed, energy, how far it would fly, and what is known to have stopped one.

Orders of magnitude for the check-list. They choose no guard: ask for the test report of the actual sheet
(ISO 14120, ISO 23125), the site's safety officer and the national model-flying body.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from whirlbench.units import STANDARD_GRAVITY_M_S2

TUMBLING_DRAG = (
    1.0  # drag coefficient on the mean projected area of a tumbling flat body; order of magnitude, from memory
)
STEP_S = 0.002
LONGEST_FLIGHT_S = 120.0


@dataclass(frozen=True)
class Fragment:
    """What leaves the hub, at the instant it does."""

    mass_kg: float
    speed_m_s: float
    energy_j: float


@dataclass(frozen=True)
class GuardYardstick:
    """A published impact test: what stopped it, or what did not hold beyond it."""

    barrier: str
    speed_m_s: float
    energy_j: float
    stopped: bool
    source: str
    caution: str


_IFA = "DGUV/IFA project BIA 6054 (1997, prEN 12417), 100 g steel projectile"
_SHARD = "a machine-tool test with a blunt steel projectile: a thin shard edge-on concentrates its energy"
GUARD_YARDSTICKS = (
    GuardYardstick("3 mm sheet steel", 115.0, 661.25, True, _IFA, _SHARD),
    GuardYardstick("5 mm aluminium sheet", 115.0, 661.25, True, _IFA, _SHARD),
    GuardYardstick(
        "8 mm polycarbonate", 115.0, 661.25, True, _IFA, "polycarbonate ages with solvents, oil and sun; " + _SHARD
    ),
    GuardYardstick(
        "acrylic sheet (PMMA)", 25.0, 31.25, False, _IFA, "held only up to this speed: acrylic is not a guard"
    ),
)


def fragment(mass_kg: float, centre_radius_m: float, speed_rad_s: float) -> Fragment:
    """A piece of ``mass_kg`` whose centre of mass turns at a radius: it leaves along the tangent with v = r w.

    Spin energy of the piece is left out, as it does not carry it away. Source: mechanics.

    >>> round(fragment(0.005, 0.060, 837.758041).energy_j, 4)
    6.3165
    """
    speed = centre_radius_m * speed_rad_s
    return Fragment(mass_kg, speed, 0.5 * mass_kg * speed**2)


def range_without_drag_m(speed_m_s: float, height_m: float) -> float:
    """Farthest landing place in m of a body thrown from a height, whatever the angle, without air: an upper bound.

    Source: v / g sqrt(v^2 + 2 g h), the envelope of ballistic parabolas.
    """
    return speed_m_s / STANDARD_GRAVITY_M_S2 * math.sqrt(speed_m_s**2 + 2.0 * STANDARD_GRAVITY_M_S2 * height_m)


@lru_cache(maxsize=64)  # the same piece is asked for at every drawing of the same answer
def range_with_drag_m(piece: Fragment, projected_area_m2: float, height_m: float, density_kg_m3: float) -> float:
    """Farthest landing place in m over all angles with the drag of a tumbling body: an estimate, not a bound.

    ``projected_area_m2`` is the mean over all attitudes; for a thin convex body a quarter of its whole surface
    (Cauchy). Source: point mass with quadratic drag, integrated in small steps.
    """
    ratio = 0.5 * density_kg_m3 * TUMBLING_DRAG * projected_area_m2 / piece.mass_kg
    angle = np.radians(np.arange(0.0, 60.1, 2.0))
    along, up = np.zeros_like(angle), np.full_like(angle, height_m)
    speed_along, speed_up = piece.speed_m_s * np.cos(angle), piece.speed_m_s * np.sin(angle)
    for _ in range(int(LONGEST_FLIGHT_S / STEP_S)):
        flying = up > 0.0
        if not flying.any():
            break
        drag = ratio * np.hypot(speed_along, speed_up)
        along += np.where(flying, STEP_S * speed_along, 0.0)
        up += np.where(flying, STEP_S * speed_up, 0.0)
        speed_along = speed_along - STEP_S * drag * speed_along
        speed_up = speed_up - STEP_S * (drag * speed_up + STANDARD_GRAVITY_M_S2)
    return float(along.max())


def steel_equivalent_m(energy_j: float, diameter_m: float) -> float:
    """Thickness in m of mild steel that a compact hard missile of ``diameter_m`` would just perforate.

    T^1.5 = E / (17400 D^1.5) in inches, pounds and feet. Order of magnitude only, never a design number: full-size
    missiles, and the design rule asks for 1.25 T. Source: the ballistic-research formula in BC-TOP-9A rev. 2 (1974),
    equation from memory.
    """
    energy_ft_lb = energy_j / 1.3558179483
    diameter_in = diameter_m / 0.0254
    result: float = (energy_ft_lb / (17400.0 * diameter_in**1.5)) ** (2.0 / 3.0) * 0.0254
    return result
