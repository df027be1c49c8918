"""A stated estimate of CT and CP at rest from blade shape and angle, for planning before anything was measured.

Blade-element and momentum theory, annulus by annulus. It knows nothing of the real section, the twist as built, the hub
or the stand: its own uncertainty is part of the answer. Measured coefficients replace it as soon as there are some.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# Relative; what covers the NACA 640 curves up to stall when the blade's outline is only roughly known (see the tests).
CT_UNCERTAINTY = 0.20
CP_UNCERTAINTY = 0.35
CT_FROM_ROTOR = math.pi**3 / 4.0  # T / (rho A (w R)^2) -> T / (rho n^2 D^4)
CP_FROM_ROTOR = math.pi**4 / 4.0
BISECTIONS = 40
LARGEST_INFLOW = 0.6


@dataclass(frozen=True)
class BladeShape:
    """Stations ``(n,)``: radius over tip radius, chord over tip radius, local angle minus the angle at 0.75 radius."""

    count: int
    radius: np.ndarray
    chord: np.ndarray
    twist_rad: np.ndarray


@dataclass(frozen=True)
class SectionPolar:
    """Lift and drag of a middling cambered section; the defaults are round figures from memory."""

    lift_slope_per_rad: float = 5.7
    zero_lift_rad: float = math.radians(-3.0)
    highest_lift: float = 1.15
    least_drag: float = 0.018
    drag_lift2: float = 0.012
    stalled_drag: float = 2.0  # flat plate: twice sin^2 of the angle of attack, counted from stall on


@dataclass(frozen=True)
class StaticEstimate:
    """Coefficients against blade angle, ``(n,)``, and their relative uncertainty (about 95 %)."""

    pitch_deg: np.ndarray
    ct: np.ndarray
    cp: np.ndarray
    ct_uncertainty: float = CT_UNCERTAINTY
    cp_uncertainty: float = CP_UNCERTAINTY


def constant_pitch_twist(radius: np.ndarray, pitch_rad: float) -> np.ndarray:
    """Local angle minus the angle at 0.75 radius of a blade whose every station advances equally at ``pitch_rad``."""
    return np.arctan(0.75 * math.tan(pitch_rad) / np.asarray(radius)) - pitch_rad


def static_estimate(shape: BladeShape, pitch_deg: np.ndarray, polar: SectionPolar | None = None) -> StaticEstimate:
    """CT and CP of ``shape`` at blade angles (0.75 radius) in degrees, ``(n,)``, roughly -10 to 45.

    Each annulus balances lift against momentum, 4 l |l| x, with Prandtl's tip loss; swirl is left out. Beyond stall the
    polar is crude and so is the answer. Source: blade-element and momentum theory of any rotorcraft text, from memory.
    """
    polar = polar or SectionPolar()
    radius = np.linspace(max(0.15, float(shape.radius[0])), 0.995, 60)
    solidity = shape.count * np.interp(radius, shape.radius, shape.chord) / math.pi
    twist = np.interp(radius, shape.radius, shape.twist_rad)
    angle = np.radians(np.atleast_1d(pitch_deg).astype(float))[:, None] + twist
    inflow = _inflow(radius, solidity, angle, shape.count, polar)
    thrust, torque = _ring_forces(inflow, radius, solidity, angle, polar)
    ct = np.asarray(np.trapezoid(thrust, radius, axis=1)) * CT_FROM_ROTOR
    cp = np.asarray(np.trapezoid(torque * radius, radius, axis=1)) * CP_FROM_ROTOR
    return StaticEstimate(np.atleast_1d(pitch_deg).astype(float), ct, cp)


def _inflow(radius: np.ndarray, solidity: np.ndarray, angle: np.ndarray, count: int, polar: SectionPolar) -> np.ndarray:
    """Induced velocity over tip speed that balances each annulus, by bisection; shape of ``angle``."""
    low, high = np.full_like(angle, -LARGEST_INFLOW), np.full_like(angle, LARGEST_INFLOW)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2.0
        thrust, _ = _ring_forces(middle, radius, solidity, angle, polar)
        momentum = 4.0 * middle * np.abs(middle) * radius * _tip_loss(middle, radius, count)
        short = thrust > momentum
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    result: np.ndarray = (low + high) / 2.0
    return result


def _tip_loss(inflow: np.ndarray, radius: np.ndarray, count: int) -> np.ndarray:
    """Prandtl's tip-loss factor."""
    exponent = count / 2.0 * (1.0 - radius) / np.maximum(np.abs(inflow), 1e-3)
    result: np.ndarray = 2.0 / math.pi * np.arccos(np.exp(-exponent))
    return result


def _ring_forces(
    inflow: np.ndarray, radius: np.ndarray, solidity: np.ndarray, angle: np.ndarray, polar: SectionPolar
) -> tuple[np.ndarray, np.ndarray]:
    """Thrust and in-plane force of an annulus per radius, in units of rho A (w R)^2."""
    flow = np.arctan2(inflow, radius)
    lift, drag = _polar(angle - flow, polar)
    scale = solidity / 2.0 * (radius**2 + inflow**2)
    return (
        scale * (lift * np.cos(flow) - drag * np.sin(flow)),
        scale * (lift * np.sin(flow) + drag * np.cos(flow)),
    )


def _polar(attack: np.ndarray, polar: SectionPolar) -> tuple[np.ndarray, np.ndarray]:
    """Lift and drag coefficients at an angle of attack in rad: straight, then held while drag rises."""
    straight = polar.lift_slope_per_rad * (attack - polar.zero_lift_rad)
    lift = np.clip(straight, -polar.highest_lift, polar.highest_lift)
    stall = np.abs(lift / polar.lift_slope_per_rad + polar.zero_lift_rad)
    plate = np.maximum(np.sin(attack) ** 2 - np.sin(stall) ** 2, 0.0)
    return lift, polar.least_drag + polar.drag_lift2 * lift**2 + polar.stalled_drag * plate
