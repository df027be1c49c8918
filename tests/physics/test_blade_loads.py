"""Properties of the blade loads."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.physics.blade_loads import (
    Blade,
    blade_mass_kg,
    centre_of_mass_m,
    mass_moment,
    pull_n,
    twisting_moment_n_m,
)

lengths = st.floats(0.01, 0.4)
speeds = st.floats(1.0, 2000.0)


@st.composite
def blades(draw: st.DrawFn) -> Blade:
    steps = draw(st.lists(st.floats(0.005, 0.1), min_size=2, max_size=7))
    radius = 0.02 + np.cumsum(steps)
    size = len(radius)
    mass = np.array(draw(st.lists(st.floats(0.01, 0.5), min_size=size, max_size=size)))
    pitch = np.array(draw(st.lists(st.floats(0.0, 0.75), min_size=size, max_size=size)))
    return Blade(radius, mass, 1e-4 * mass, pitch)


@given(blades(), speeds, st.floats(1.01, 4.0))
def test_loads_grow_with_speed_squared(blade: Blade, speed: float, factor: float) -> None:
    slow, fast = pull_n(blade, speed, 0.0)[0], pull_n(blade, factor * speed, 0.0)[0]
    assert fast == pytest.approx(factor**2 * slow, rel=1e-9)
    twist = twisting_moment_n_m(blade, speed, 0.1)
    assert twisting_moment_n_m(blade, factor * speed, 0.1) == pytest.approx(factor**2 * twist, rel=1e-9)


@given(blades(), st.floats(0.001, 0.05))
def test_mass_moved_outwards_never_lowers_the_pull(blade: Blade, shift_m: float) -> None:
    moved = Blade(blade.radius_m + shift_m, blade.mass_per_length_kg_m, blade.twist_inertia_kg_m, blade.pitch_rad)
    assert blade_mass_kg(moved) == pytest.approx(blade_mass_kg(blade), rel=1e-9)
    for at in np.linspace(0.0, blade.radius_m[-1], 7):
        assert pull_n(moved, 100.0, at)[0] >= pull_n(blade, 100.0, at)[0] - 1e-9


@given(blades())
def test_pull_falls_outwards_and_ends_at_nothing(blade: Blade) -> None:
    pulls = pull_n(blade, 300.0, np.linspace(0.0, blade.radius_m[-1], 30))
    assert np.all(np.diff(pulls) <= 1e-9)
    assert pulls[-1] == pytest.approx(0.0, abs=1e-9)


@given(blades(), st.floats(0.005, 0.2))
def test_scaling_to_a_weighed_mass_keeps_the_centre(blade: Blade, mass_kg: float) -> None:
    scaled = blade.scaled_to(mass_kg)
    assert blade_mass_kg(scaled) == pytest.approx(mass_kg, rel=1e-9)
    assert centre_of_mass_m(scaled) == pytest.approx(centre_of_mass_m(blade), rel=1e-9)


def test_nothing_beyond_the_tip() -> None:
    blade = Blade(np.array([0.05, 0.28]), np.ones(2), np.ones(2), np.zeros(2))
    assert mass_moment(blade, 1, 0.3) == 0.0
    assert np.isnan(centre_of_mass_m(blade, 0.3))
