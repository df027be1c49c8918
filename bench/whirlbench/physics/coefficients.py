"""Whole-propeller aerodynamics at rest of the air: coefficients, and what follows from them.

CT = T / (rho n^2 D^4), CP = P / (rho n^3 D^5), CQ = CP / 2 pi, with n in revolutions per second: the notation of the
NACA reports and of published propeller tables. Every function takes and returns floats or arrays of one shape.
"""

from __future__ import annotations

import math

import numpy as np

Values = np.ndarray | float

PLAUSIBLE_MERIT = (0.3, 0.8)  # figure of merit at rest; published model propellers lie between 0.63 and 0.73


def thrust_n(ct: Values, rpm: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """Thrust in N of a thrust coefficient at a speed in rpm."""
    return ct * density_kg_m3 * (rpm / 60.0) ** 2 * diameter_m**4


def power_w(cp: Values, rpm: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """Shaft power in W of a power coefficient at a speed in rpm.

    >>> round(power_w(0.0531, 6528.0, 0.254, 1.225), 4)
    88.5698
    """
    return cp * density_kg_m3 * (rpm / 60.0) ** 3 * diameter_m**5


def torque_n_m(cp: Values, rpm: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """Shaft torque in N m of a power coefficient at a speed in rpm: P / (2 pi n)."""
    return cp / (2.0 * math.pi) * density_kg_m3 * (rpm / 60.0) ** 2 * diameter_m**5


def thrust_coefficient(thrust_n: Values, rpm: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """CT of a thrust in N at a speed in rpm (above zero)."""
    return thrust_n / (density_kg_m3 * (rpm / 60.0) ** 2 * diameter_m**4)


def power_coefficient(power_w: Values, rpm: Values, diameter_m: float, density_kg_m3: float) -> Values:
    """CP of a shaft power in W at a speed in rpm (above zero)."""
    return power_w / (density_kg_m3 * (rpm / 60.0) ** 3 * diameter_m**5)


def figure_of_merit(ct: Values, cp: Values) -> Values:
    """Ideal over actual power at rest, below 1 for any real propeller; NaN where ``ct`` is negative.

    Source: CT^1.5 / CP * sqrt(2 / pi), momentum theory.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        merit = np.asarray(ct, dtype=float) ** 1.5 / cp * math.sqrt(2.0 / math.pi)
    return merit if merit.ndim else float(merit)


def tip_speed_m_s(rpm: Values, diameter_m: float) -> Values:
    """Speed of the blade tip in m/s at a shaft speed in rpm, the stand at rest."""
    return math.pi * diameter_m * rpm / 60.0


def tip_mach(rpm: Values, diameter_m: float, speed_of_sound_m_s: float) -> Values:
    """Mach number of the blade tip, the stand at rest."""
    return tip_speed_m_s(rpm, diameter_m) / speed_of_sound_m_s


def speed_at_tip_mach_rpm(mach: float, diameter_m: float, speed_of_sound_m_s: float) -> float:
    """Shaft speed in rpm at which the tip reaches a Mach number."""
    return 60.0 * mach * speed_of_sound_m_s / (math.pi * diameter_m)
