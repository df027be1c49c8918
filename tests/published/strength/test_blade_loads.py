"""Loads of spinning blades, LOAD rows, and the blade integrals against independent quadrature and time-stepping."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_bvp
from textbook_formulas import (
    bar_burst_speed_rps,
    gyroscopic_hub_moment_n_m,
    ring_burst_speed_rps,
    uniform_bar_stress_pa,
)

from whirlbench.physics.bending import Beam, moment_n_m, relieved
from whirlbench.physics.blade_loads import (
    Blade,
    blade_mass_kg,
    centre_of_mass_m,
    gyroscopic_blade_moment_n_m,
    gyroscopic_moment_n_m,
    mass_moment,
    point_pull_n,
    pull_n,
    twisting_moment_n_m,
)
from whirlbench.physics.root_stress import neck_pa
from whirlbench.physics.sections import section_properties
from whirlbench.units import rad_s_from_rpm

SPEED = float(rad_s_from_rpm(8000.0))
BAR_DENSITY, BAR_LENGTH_M, BAR_AREA_M2 = 1240.0, 0.127, 75e-6


def bar(area_m2: np.ndarray, radius_m: np.ndarray, density: float = BAR_DENSITY) -> Blade:
    zero = np.zeros_like(radius_m)
    return Blade(radius_m, density * area_m2, zero, zero)


def test_load_0_the_angular_velocity_behind_the_table() -> None:
    assert float(rad_s_from_rpm(8000.0)) == pytest.approx(837.758041, abs=1e-5)


def test_load_1_burst_of_a_copper_bar() -> None:
    """Irodov, Problems in General Physics, 1.292: formula and answer 0.8e2 rps read in three copies (T).

    Strength 0.30 GPa and density 8900 of the book's appendix are from memory.
    """
    assert bar_burst_speed_rps(0.30e9, 8900.0, 1.0) == pytest.approx(0.8e2, rel=0.05)
    assert bar_burst_speed_rps(0.30e9, 8900.0, 1.0) == pytest.approx(82.65, abs=0.01)


def test_load_1_agrees_with_the_stress_formula() -> None:
    """The burst speed is where rho w^2 L^2 / 2 reaches the strength: two routes to one number."""
    speed = 2.0 * math.pi * bar_burst_speed_rps(0.30e9, 8900.0, 1.0)
    assert uniform_bar_stress_pa(8900.0, 0.5, speed) == pytest.approx(0.30e9, rel=1e-12)


def test_load_2_burst_of_a_lead_ring() -> None:
    """Irodov, the problem after: answer 23 rps (T); strength 15 MPa and density 11300 from memory."""
    assert ring_burst_speed_rps(15e6, 11300.0, 0.25) == pytest.approx(23.0, rel=0.02)


def test_load_3_stretch_of_a_spinning_rod_from_our_pull() -> None:
    """dl = rho w^2 L^3 / (3 E) = 9.000e-5 m: question published without an answer, so recomputed (inputs T, result R).

    Here the pull along the rod is integrated over E A, which tests the pull at every radius.
    """
    density, speed, length, modulus, area = 1e4, 40.0, 1.5, 2e11, 1e-4
    radius = np.linspace(0.0, length, 1501)
    rod = bar(np.full(2, area), np.array([0.0, length]), density)
    stretch = np.trapezoid(pull_n(rod, speed, radius), radius) / (modulus * area)
    assert stretch == pytest.approx(9.0e-5, rel=1e-6)


def test_load_3b_pull_over_area_is_the_bar_stress() -> None:
    """Goodno and Gere 9e, problem 1.4-16 (T): gamma w^2 (L^2 - x^2) / (2 g), the same as rho w^2 (L^2 - x^2) / 2."""
    uniform = bar(np.full(3, BAR_AREA_M2), np.array([0.0, 0.05, BAR_LENGTH_M]))
    stations = np.array([0.0, 0.02, 0.049, 0.1])
    stress = pull_n(uniform, SPEED, stations) / BAR_AREA_M2
    expected = [uniform_bar_stress_pa(BAR_DENSITY, BAR_LENGTH_M, SPEED, at) for at in stations]
    assert stress == pytest.approx(expected, rel=1e-12)


def test_load_4_concentrated_mass() -> None:
    """Definition, recomputed (R): 5 g at 50 mm, 8000 rpm; twice it is the 35.35 test load."""
    pull = point_pull_n(0.005, 0.050, SPEED)
    assert pull == pytest.approx(175.4596, abs=1e-4)
    assert pull / 0.005 / 9.80665 == pytest.approx(3578.38, abs=0.01)
    assert 2.0 * pull == pytest.approx(350.919, abs=1e-3)


def test_load_5_uniform_bar() -> None:
    """Recomputed (R) from LOAD-3b."""
    assert uniform_bar_stress_pa(BAR_DENSITY, BAR_LENGTH_M, SPEED) / 1e6 == pytest.approx(7.018371, abs=1e-5)
    faster = uniform_bar_stress_pa(BAR_DENSITY, BAR_LENGTH_M, SPEED * math.sqrt(2.0))
    assert faster / 1e6 == pytest.approx(14.036743, abs=1e-5)


def test_load_6_root_cut_out() -> None:
    """Recomputed (R): a bar that begins at 20 mm."""
    cut = bar(np.full(2, BAR_AREA_M2), np.array([0.020, BAR_LENGTH_M]))
    pull = float(pull_n(cut, SPEED, 0.020)[0])
    assert pull == pytest.approx(513.3237, abs=1e-4)
    assert pull / BAR_AREA_M2 / 1e6 == pytest.approx(6.844315, abs=1e-5)
    assert blade_mass_kg(cut) * 1e3 == pytest.approx(9.951, abs=1e-3)
    assert point_pull_n(blade_mass_kg(cut), centre_of_mass_m(cut), SPEED) == pytest.approx(pull, rel=1e-12)


def test_load_7_area_tapering_to_nothing() -> None:
    """Derived and recomputed (R); no published example was found: a third of the uniform bar's stress."""
    taper = bar(np.array([BAR_AREA_M2, 0.0]), np.array([0.0, BAR_LENGTH_M]))
    assert float(pull_n(taper, SPEED, 0.0)[0]) / BAR_AREA_M2 / 1e6 == pytest.approx(2.339457, abs=1e-5)


def test_load_8_root_bending_from_thrust() -> None:
    """Recomputed (R); thrust acting at 0.75 radius is common practice, no source. No relief."""
    moment = float(moment_n_m(7.84039 / 2.0, 2, 0.0, 0.127, np.array([0.0]))[0])
    assert moment == pytest.approx(0.373399, abs=1e-6)
    assert float(neck_pa(0.0, moment, 0.0, 0.025, 0.003)) / 1e6 == pytest.approx(9.9573, abs=1e-3)


def test_load_9_twisting_moment_towards_fine_pitch() -> None:
    """Direction from an aviation glossary (T), formula from memory (M), recomputed (R): flat blade 25 x 3 x 107 mm."""
    shape = section_properties("rectangle", np.array([0.025, 0.025]), np.array([0.003, 0.003]))
    radius = np.array([0.020, 0.127])
    inertia = 1240.0 * (shape.edge_inertia_m4 - shape.flap_inertia_m4)
    blade = Blade(radius, 1240.0 * shape.area_m2, inertia, np.zeros(2))
    assert mass_moment(Blade(radius, inertia, inertia, np.zeros(2)), 0) == pytest.approx(5.10818e-7, abs=1e-12)
    moment = twisting_moment_n_m(blade, SPEED, math.radians(15.0))
    assert moment == pytest.approx(0.0896279, abs=1e-6)
    assert twisting_moment_n_m(blade, SPEED, math.radians(-15.0)) == pytest.approx(-moment, rel=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_blade_integrals_agree_with_adaptive_quadrature(seed: int) -> None:
    """Independent reference: scipy's adaptive quadrature over randomly drawn blades."""
    rng = np.random.default_rng(seed)
    radius = np.sort(rng.uniform(0.03, 0.28, 6))
    blade = Blade(radius, rng.uniform(0.02, 0.4, 6), rng.uniform(1e-6, 4e-5, 6), rng.uniform(0.1, 0.7, 6))

    def mass(r: float) -> float:
        return float(np.interp(r, radius, blade.mass_per_length_kg_m))

    at = float(rng.uniform(radius[0], radius[-2]))
    corners = [float(r) for r in radius if r > at]
    for power in (0, 1, 2):
        expected = quad(lambda r, p=power: mass(r) * r**p, at, radius[-1], points=corners, epsabs=1e-14)[0]
        assert mass_moment(blade, power, at) == pytest.approx(expected, rel=1e-9)
    twisting = quad(
        lambda r: (
            0.5
            * np.interp(r, radius, blade.twist_inertia_kg_m)
            * math.sin(2.0 * (np.interp(r, radius, blade.pitch_rad) + 0.1))
        ),
        at,
        radius[-1],
        points=corners,
        epsabs=1e-14,
    )[0]
    # sin() is no polynomial: three Gauss points a panel, over as much as 0.6 rad of twist, are good to about 1e-4
    assert twisting_moment_n_m(blade, 1.0, 0.1, at) == pytest.approx(twisting, rel=2e-3)


@pytest.mark.parametrize("tension_n", [0.0, 40.0, 400.0, 2500.0])
def test_relief_agrees_with_a_boundary_value_solver(tension_n: float) -> None:
    """Independent reference: scipy's collocation solver on (E I w'')'' - (N w')' = q, clamped and free."""
    inner, tip, stiffness, force = 0.05, 0.28, 1.5, 30.0
    total = (tip**3 - inner**3) / 3.0

    def pull(r: np.ndarray) -> np.ndarray:
        return tension_n * (tip**2 - r**2) / (tip**2 - inner**2)

    def slope_equations(r: np.ndarray, y: np.ndarray) -> np.ndarray:
        # y = (slope, curvature, shear): E I curvature' = shear + N slope, shear' = q, with shear the outboard load
        load = force * r**2 / total
        return np.vstack((y[1], (y[2] + pull(r) * y[0]) / stiffness, load))

    def ends(at_root: np.ndarray, at_tip: np.ndarray) -> np.ndarray:
        return np.array([at_root[0], at_tip[1], at_tip[2]])

    start = np.linspace(inner, tip, 200)
    solved = solve_bvp(slope_equations, ends, start, np.zeros((3, len(start))), tol=1e-8, max_nodes=20000)
    assert solved.success
    expected = abs(stiffness * float(solved.sol(inner)[1]))
    stations = np.linspace(inner, tip, 60)
    bent = relieved(Beam(stations, np.full(60, stiffness), pull(stations)), force)
    assert float(bent.moment_n_m[0]) == pytest.approx(expected, rel=0.015)


def test_gyroscopic_moment_against_differentiated_motion() -> None:
    """Independent reference: second differences of a point that turns with the rotor while the stand yaws."""
    speed, yaw, radius, step = 555.0, 0.7, 0.12, 1e-5

    def place(time_s: float) -> np.ndarray:
        spun = radius * np.array([0.0, math.cos(speed * time_s), math.sin(speed * time_s)])
        c, s = math.cos(yaw * time_s), math.sin(yaw * time_s)
        return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ spun

    def flap_moment(time_s: float) -> float:
        acceleration = (place(time_s + step) - 2.0 * place(time_s) + place(time_s - step)) / step**2
        c, s = math.cos(yaw * time_s), math.sin(yaw * time_s)
        return radius * float(acceleration @ np.array([c, s, 0.0]))  # per unit mass, along the shaft

    times = np.linspace(0.0, 2.0 * math.pi / speed, 400)
    found = max(abs(flap_moment(time)) for time in times)
    assert found == pytest.approx(gyroscopic_blade_moment_n_m(radius**2, speed, yaw), rel=1e-3)


def test_gyroscopic_moment_inside_the_blade_against_quadrature() -> None:
    """Independent reference: scipy's quadrature of lever times Coriolis force."""
    radius = np.array([0.03, 0.1, 0.2, 0.28])
    blade = Blade(radius, np.array([0.3, 0.25, 0.15, 0.03]), np.zeros(4), np.zeros(4))
    at = np.array([0.0, 0.05, 0.15, 0.28])
    found = gyroscopic_moment_n_m(blade, 555.0, 0.6, at)
    for inner, value in zip(at, found, strict=True):
        expected = quad(
            lambda s, r=inner: 2.0 * 555.0 * 0.6 * (s - r) * s * np.interp(s, radius, blade.mass_per_length_kg_m),
            max(inner, 0.03),
            0.28,
            points=[0.1, 0.2],
        )[0]
        assert value == pytest.approx(expected, rel=1e-7, abs=1e-12)
    assert found[0] == pytest.approx(gyroscopic_blade_moment_n_m(mass_moment(blade, 2), 555.0, 0.6), rel=1e-12)


@pytest.mark.parametrize("blades", [3, 4, 5])
def test_blade_moments_sum_to_the_gyroscopic_moment_of_the_rotor(blades: int) -> None:
    """Identity: the once-a-revolution moments of three or more blades add up to a steady J w yaw."""
    inertia, speed, yaw = 9e-4, 555.0, 0.5
    amplitude = gyroscopic_blade_moment_n_m(inertia, speed, yaw)
    for turned in np.linspace(0.0, 2.0, 7):
        angle = turned + 2.0 * np.pi * np.arange(blades) / blades
        steady = float(np.sum(amplitude * np.cos(angle) * np.cos(angle)))
        assert steady == pytest.approx(gyroscopic_hub_moment_n_m(blades * inertia, speed, yaw), rel=1e-12)
