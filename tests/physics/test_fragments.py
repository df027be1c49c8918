"""Fragments: what must hold whatever the numbers."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.physics.fatigue import REASONS, fatigue_view, wood_hours
from whirlbench.physics.fragments import fragment, range_with_drag_m, range_without_drag_m


@given(st.floats(0.001, 0.2), st.floats(0.02, 0.5), st.floats(10.0, 2000.0), st.floats(1.01, 3.0))
def test_energy_grows_with_speed_squared(mass: float, radius: float, speed: float, factor: float) -> None:
    slow, fast = fragment(mass, radius, speed), fragment(mass, radius, factor * speed)
    assert fast.energy_j == pytest.approx(factor**2 * slow.energy_j, rel=1e-9)


@settings(max_examples=3)
@given(st.floats(0.002, 0.05), st.floats(0.001, 0.004))
def test_drag_never_carries_farther(mass: float, area: float) -> None:
    piece = fragment(mass, 0.1, 300.0)
    assert range_with_drag_m(piece, area, 0.9, 1.2) < range_without_drag_m(piece.speed_m_s, 0.9)


def test_a_dropped_piece_lands_below() -> None:
    assert range_without_drag_m(0.0, 1.0) == 0.0


def test_fatigue_view_promises_no_life() -> None:
    view = fatigue_view(6000.0, 20e6, None, 40e6)
    assert view.share_of_strength == pytest.approx(0.5)
    assert view.revolution_share is None
    assert view.hours_to_million_revolutions == pytest.approx(1e6 / 360_000.0)
    assert view.hours_under_load is None and view.statement.startswith("No life is predicted")


def test_words_of_life_fit_the_material() -> None:
    for family in REASONS:
        told = fatigue_view(3000.0, 20e6, None, 40e6, family)
        assert ("layer" in told.statement) == (family == "printed")
        assert ("grain" in told.inspection) == (family == "wood")


def test_wood_under_load_follows_the_madison_curve() -> None:
    """Ten years at some 62 % of the short-term strength: the usual reading of the curve, FPL report 1916."""
    assert wood_hours(0.623) == pytest.approx(8766.0 * 10.0, rel=0.15)
    level = (18.3 + 108.4 * (1000.0 * 3600.0) ** -0.0464) / 100.0
    assert wood_hours(level) == pytest.approx(1000.0, rel=1e-9)
    assert wood_hours(0.3) is None and wood_hours(1.0) is None
    assert "Madison" in fatigue_view(3000.0, level * 1e6, None, 1e6, "wood").statement
