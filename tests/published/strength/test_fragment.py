"""Fragments and guards, SAF rows. Yardsticks only: no guard is chosen by them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from whirlbench.physics.fragments import (
    GUARD_YARDSTICKS,
    Fragment,
    fragment,
    range_with_drag_m,
    range_without_drag_m,
    steel_equivalent_m,
)
from whirlbench.units import rad_s_from_rpm

SPEED = float(rad_s_from_rpm(8000.0))


def test_saf_1_speed_and_energy() -> None:
    """Mechanics (R): 5 g at 60 mm, 8000 rpm."""
    piece = fragment(0.005, 0.060, SPEED)
    assert piece.speed_m_s == pytest.approx(50.26548, abs=1e-5)
    assert piece.energy_j == pytest.approx(6.316547, abs=1e-6)


def test_saf_2_tip() -> None:
    """Mechanics (R): 1 g at the tip of a 0.254 m propeller."""
    piece = fragment(0.001, 0.127, SPEED)
    assert piece.speed_m_s == pytest.approx(106.395271, abs=1e-6)
    assert piece.energy_j == pytest.approx(5.660, abs=1e-3)


def test_saf_3_after_an_overspeed_of_the_square_root_of_two() -> None:
    """Mechanics (R): speed by 1.414, energy doubled."""
    piece = fragment(0.005, 0.060, SPEED * math.sqrt(2.0))
    assert piece.speed_m_s == pytest.approx(71.086, abs=1e-3)
    assert piece.energy_j == pytest.approx(12.633, abs=1e-3)


@pytest.mark.parametrize("barrier", ["3 mm sheet steel", "5 mm aluminium sheet", "8 mm polycarbonate"])
def test_saf_4_what_stopped_the_projectile(barrier: str) -> None:
    """DGUV/IFA project BIA 6054 (1997, prEN 12417), read (T): 100 g steel up to 115 m/s, 661.25 J."""
    test = next(item for item in GUARD_YARDSTICKS if item.barrier == barrier)
    assert test.stopped
    assert test.energy_j == pytest.approx(0.5 * 0.1 * 115.0**2)
    assert test.speed_m_s == 115.0


def test_saf_5_acrylic_is_not_a_guard() -> None:
    """Same test (T): only to about 25 m/s, 31.25 J."""
    test = next(item for item in GUARD_YARDSTICKS if "PMMA" in item.barrier)
    assert not test.stopped
    assert test.energy_j == pytest.approx(0.5 * 0.1 * 25.0**2)
    assert "not a guard" in test.caution


def test_saf_5b_polycarbonate_is_said_to_age() -> None:
    """Mewes and Trapp, JOSE 6(4) 2000, 507-520 (T, wording)."""
    assert "ages" in next(item.caution for item in GUARD_YARDSTICKS if "polycarbonate" in item.barrier)


@pytest.mark.parametrize(
    ("mass_kg", "diameter_m", "speed_m_s", "expected_mm", "digits"),
    [
        pytest.param(0.1, 0.020, 115.0, 2.9766, 1e-4, id="SAF-6a"),
        pytest.param(0.005, 0.010, 50.26548, 0.26801, 1e-5, id="SAF-6b"),
    ],
)
def test_saf_6_steel_formula(
    mass_kg: float, diameter_m: float, speed_m_s: float, expected_mm: float, digits: float
) -> None:
    """BC-TOP-9A rev. 2 (1974) found, equation from memory (R, M, low trust): order of magnitude only."""
    energy_j = 0.5 * mass_kg * speed_m_s**2
    assert steel_equivalent_m(energy_j, diameter_m) * 1e3 == pytest.approx(expected_mm, abs=digits)


def test_range_without_drag_against_all_angles() -> None:
    """Independent check: the best of many explicit parabolas is the closed form."""
    speed, height, g = 65.0, 0.9, 9.80665
    best = 0.0
    for tenth in range(0, 900):
        angle = math.radians(tenth / 10.0)
        up = speed * math.sin(angle)
        best = max(best, speed * math.cos(angle) * (up + math.sqrt(up**2 + 2.0 * g * height)) / g)
    assert range_without_drag_m(speed, height) == pytest.approx(best, rel=1e-5)


def test_range_with_drag_against_an_adaptive_solver() -> None:
    """Independent reference: scipy's Runge-Kutta with an event at the ground, over the same angles."""
    piece, area, height, density = Fragment(0.036, 65.0, 0.5 * 0.036 * 65.0**2), 0.0028, 0.9, 1.2
    ratio = 0.5 * density * area / piece.mass_kg

    def motion(_: float, y: np.ndarray) -> list[float]:
        drag = ratio * math.hypot(y[2], y[3])
        return [y[2], y[3], -drag * y[2], -drag * y[3] - 9.80665]

    def ground(_: float, y: np.ndarray) -> float:
        return float(y[1])

    ground.terminal = True  # type: ignore[attr-defined]
    farthest = 0.0
    for degrees in range(0, 61, 2):
        angle = math.radians(degrees)
        start = [0.0, height, piece.speed_m_s * math.cos(angle), piece.speed_m_s * math.sin(angle)]
        flown = solve_ivp(motion, (0.0, 60.0), start, events=ground, rtol=1e-8, atol=1e-8)
        farthest = max(farthest, float(flown.y[0, -1]))
    assert range_with_drag_m(piece, area, height, density) == pytest.approx(farthest, rel=0.01)


def test_range_with_almost_no_drag_tends_to_the_closed_form() -> None:
    piece = Fragment(1.0, 30.0, 450.0)
    assert range_with_drag_m(piece, 1e-9, 1.0, 1.2) == pytest.approx(range_without_drag_m(30.0, 1.0), rel=5e-3)
    assert range_with_drag_m(piece, 0.05, 1.0, 1.2) < range_without_drag_m(30.0, 1.0)
