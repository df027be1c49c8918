"""Textbook formulas that the bench does not need itself: an independent path to figures it works out another way."""

from __future__ import annotations

import math

from whirlbench.physics.coefficients import Values


def gyroscopic_hub_moment_n_m(rotor_inertia_kg_m2: float, speed_rad_s: float, yaw_rad_s: float) -> float:
    """Steady moment in N m on the shaft of a rotor with three or more blades while the stand yaws: J w yaw."""
    return rotor_inertia_kg_m2 * speed_rad_s * yaw_rad_s


def uniform_bar_stress_pa(
    density_kg_m3: float, tip_radius_m: float, speed_rad_s: float, at_radius_m: float = 0.0
) -> float:
    """Stress in Pa of a bar of constant section at a radius: rho w^2 (R^2 - r^2) / 2. Source: Goodno and Gere."""
    return density_kg_m3 * speed_rad_s**2 * (tip_radius_m**2 - at_radius_m**2) / 2.0


def bar_burst_speed_rps(strength_pa: float, density_kg_m3: float, length_m: float) -> float:
    """Revolutions per second that tear a bar spun about its middle: sqrt(2 s / rho) / (pi l). Source: Irodov, 1.292."""
    return math.sqrt(2.0 * strength_pa / density_kg_m3) / (math.pi * length_m)


def ring_burst_speed_rps(strength_pa: float, density_kg_m3: float, radius_m: float) -> float:
    """Revolutions per second that tear a thin ring: sqrt(s / rho) / (2 pi r). Source: Irodov, the problem after."""
    return math.sqrt(strength_pa / density_kg_m3) / (2.0 * math.pi * radius_m)


def ideal_thrust_n(power_w: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """Thrust in N of an actuator disk at rest that absorbs ``power_w``: the most any propeller could give.

    Source: T = (2 rho A P^2)^(1/3), momentum theory.
    """
    area_m2 = math.pi * diameter_m**2 / 4.0
    return (2.0 * density_kg_m3 * area_m2 * power_w**2) ** (1.0 / 3.0)


def electrical_rpm(shaft_rpm: float, gear_ratio: float, pole_pairs: int) -> float:
    """Electrical revolutions per minute of the motor: shaft rpm times gear times pole pairs (not poles)."""
    return shaft_rpm * gear_ratio * pole_pairs
