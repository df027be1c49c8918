"""Properties of bending with and without centrifugal relief."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.physics.bending import Beam, moment_n_m, relieved, torque_force_n

STATIONS = np.linspace(0.05, 0.28, 30)


def beam(stiffness: float, pull: float) -> Beam:
    return Beam(STATIONS, np.full(30, stiffness), pull * (1.0 - ((STATIONS - 0.05) / 0.23) ** 2))


def test_without_pull_the_beam_gives_the_closed_form() -> None:
    bent = relieved(beam(2.0, 0.0), 25.0)
    assert bent.moment_n_m == pytest.approx(moment_n_m(25.0, 2, 0.05, 0.28, bent.radius_m), abs=1e-6)


@settings(max_examples=25)
@given(st.floats(0.2, 20.0), st.floats(1.0, 4000.0), st.floats(1.5, 5.0))
def test_more_pull_never_leaves_more_bending_at_the_root(stiffness: float, pull: float, factor: float) -> None:
    less, more = (relieved(beam(stiffness, value), 25.0).moment_n_m[0] for value in (pull, factor * pull))
    free = float(moment_n_m(25.0, 2, 0.05, 0.28, np.array([0.05]))[0])
    assert more <= less * (1.0 + 1e-9) <= free * (1.0 + 1e-6)


@settings(max_examples=25)
@given(st.floats(0.2, 10.0), st.floats(1.5, 5.0))
def test_a_stiffer_blade_is_relieved_less(stiffness: float, factor: float) -> None:
    soft, stiff = (relieved(beam(value, 1000.0), 25.0).moment_n_m[0] for value in (stiffness, factor * stiffness))
    assert stiff > soft


def test_moment_grows_in_proportion_to_the_force() -> None:
    one, three = (relieved(beam(2.0, 900.0), force).moment_n_m for force in (10.0, 30.0))
    assert three == pytest.approx(3.0 * one, rel=1e-7, abs=1e-9)


def test_elements_are_fine_enough() -> None:
    coarse, fine = (relieved(beam(1.0, 1500.0), 25.0, elements=count).moment_n_m[0] for count in (48, 192))
    assert coarse == pytest.approx(fine, rel=0.01)


def test_closed_form_moments() -> None:
    at = np.array([0.0, 0.02, 0.14, 0.28, 0.3])
    found = moment_n_m(10.0, 2, 0.0, 0.28, at)
    assert found[0] == pytest.approx(10.0 * 0.75 * 0.28)
    assert np.all(np.diff(found) <= 0.0)
    assert found[-2:] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_torque_force_carries_the_torque() -> None:
    force, inner, tip = torque_force_n(1.5, 0.05, 0.28), 0.05, 0.28
    # a force spread as the radius has its centre at the ratio of third to second moments
    arm = (tip**3 - inner**3) / 3.0 / ((tip**2 - inner**2) / 2.0)
    assert force * arm == pytest.approx(1.5)
