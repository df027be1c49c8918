"""Loads of a spinning blade from its mass distribution: pull, twisting moment, gyroscopic moment.

Mass per length and every other property are straight lines between the stations of the table. With that, all
integrals below are polynomials on each panel and are done exactly by three-point Gauss quadrature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

GAUSS_NODE, GAUSS_WEIGHT = np.polynomial.legendre.leggauss(3)


@dataclass(frozen=True)
class Blade:
    """One blade outside the hub; every array is ``(n,)``, stations ``radius_m`` strictly increasing, SI units.

    ``twist_inertia_kg_m`` is density times (largest - smallest area moment) of the section, about the pitch axis.
    ``pitch_rad`` is the local blade angle for a blade angle of ``reference_pitch_rad`` at 0.75 radius.
    """

    radius_m: np.ndarray
    mass_per_length_kg_m: np.ndarray
    twist_inertia_kg_m: np.ndarray
    pitch_rad: np.ndarray
    reference_pitch_rad: float = 0.0

    def scaled_to(self, mass_kg: float) -> Blade:
        """The same distribution with the total mass as weighed."""
        factor = mass_kg / blade_mass_kg(self)
        return replace(
            self,
            mass_per_length_kg_m=self.mass_per_length_kg_m * factor,
            twist_inertia_kg_m=self.twist_inertia_kg_m * factor,
        )


def point_pull_n(mass_kg: np.ndarray | float, radius_m: np.ndarray | float, speed_rad_s: float) -> np.ndarray | float:
    """Centrifugal pull in N of a mass at a radius: m r w^2, the definition.

    >>> round(point_pull_n(0.005, 0.050, 837.758041), 3)
    175.46
    """
    return mass_kg * radius_m * speed_rad_s**2


def mass_moment(blade: Blade, power: int, from_radius_m: float = 0.0) -> float:
    """Integral of mass per length times radius^power outside ``from_radius_m``: kg m^power; 0 beyond the tip."""
    radius, weight = _quadrature(blade.radius_m, from_radius_m)
    mass = np.interp(radius, blade.radius_m, blade.mass_per_length_kg_m)
    return float(np.sum(weight * mass * radius**power))


def blade_mass_kg(blade: Blade, from_radius_m: float = 0.0) -> float:
    """Mass in kg of the part outside a radius."""
    return mass_moment(blade, 0, from_radius_m)


def centre_of_mass_m(blade: Blade, from_radius_m: float = 0.0) -> float:
    """Radius in m of the centre of mass of the part outside a radius; NaN when nothing is left there."""
    mass = blade_mass_kg(blade, from_radius_m)
    return mass_moment(blade, 1, from_radius_m) / mass if mass > 0.0 else math.nan


def pull_n(blade: Blade, speed_rad_s: float, from_radius_m: float | np.ndarray = 0.0) -> np.ndarray:
    """Centrifugal pull in N at each radius: w^2 times the first moment of the mass outside it.

    Source: F(r) = w^2 int m' r dr; Goodno and Gere, Mechanics of Materials, problem on the rotating bar.
    """
    radii = np.atleast_1d(np.asarray(from_radius_m, dtype=float))
    return speed_rad_s**2 * np.array([mass_moment(blade, 1, radius) for radius in radii])


def twisting_moment_n_m(blade: Blade, speed_rad_s: float, pitch_rad: float, from_radius_m: float = 0.0) -> float:
    """Centrifugal twisting moment of one blade in N m, positive towards fine pitch, at a 0.75-radius blade angle.

    w^2 / 2 int sin(2 theta) rho (I_max - I_min) dr. Pitch link and servo hold it; when they let go, the blades run
    fine and the propeller unloads. Source: direction from an aviation glossary; formula from memory.
    """
    radius, weight = _quadrature(blade.radius_m, from_radius_m)
    inertia = np.interp(radius, blade.radius_m, blade.twist_inertia_kg_m)
    angle = np.interp(radius, blade.radius_m, blade.pitch_rad) + (pitch_rad - blade.reference_pitch_rad)
    return 0.5 * speed_rad_s**2 * float(np.sum(weight * inertia * np.sin(2.0 * angle)))


def gyroscopic_blade_moment_n_m(flap_inertia_kg_m2: float, speed_rad_s: float, yaw_rad_s: float) -> float:
    """Amplitude in N m of the once-a-revolution flap moment of one blade while the stand yaws: 2 I w yaw.

    ``flap_inertia_kg_m2`` is the blade's second mass moment about the shaft. Source: Coriolis term of a blade on a
    turning hub, any rotor-dynamics text, from memory; checked in the tests against differentiated motion.
    """
    return 2.0 * flap_inertia_kg_m2 * speed_rad_s * yaw_rad_s


def gyroscopic_moment_n_m(blade: Blade, speed_rad_s: float, yaw_rad_s: float, at_radius_m: np.ndarray) -> np.ndarray:
    """Amplitude in N m of the once-a-revolution flap moment inside a blade at radii ``(n,)`` while the stand yaws.

    2 w yaw int (s - r) s m' ds outside each radius: the Coriolis force on every element with its lever. At the shaft it
    is ``gyroscopic_blade_moment_n_m`` of the whole blade. No relief. Source: as there.
    """
    levers = [mass_moment(blade, 2, radius) - radius * mass_moment(blade, 1, radius) for radius in at_radius_m]
    return 2.0 * speed_rad_s * yaw_rad_s * np.array(levers)


def _quadrature(stations_m: np.ndarray, from_radius_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Radii and weights of the Gauss points of every panel outside ``from_radius_m``."""
    inner = max(float(from_radius_m), float(stations_m[0]))
    edges = np.concatenate(([inner], stations_m[stations_m > inner]))
    half, middle = np.diff(edges)[:, None] / 2.0, (edges[:-1] + edges[1:])[:, None] / 2.0
    return (middle + half * GAUSS_NODE).ravel(), (half * GAUSS_WEIGHT).ravel()
