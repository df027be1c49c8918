"""Balance quality grade, and how it differs from the 1P velocity that is felt at the stand.

The grade is e w: how fast the centre of mass runs round the axis, a property of the rotor alone. The 1P velocity is
what the accelerometer's place does about it: rotor, stand, speed and resonance together. Neither can be read from the
other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.balance.vectors import Vectors1P
from whirlbench.errors import AnalysisError
from whirlbench.units import ips_from_mm_s, velocity_mm_s_from_g


@dataclass(frozen=True)
class SineVibration:
    """One sinusoid at ``frequency_hz`` in the units people quote it in."""

    frequency_hz: float
    acceleration_g_peak: float
    velocity_mm_s_peak: float
    velocity_mm_s_rms: float
    velocity_ips_peak: float
    displacement_um_peak_to_peak: float


@dataclass(frozen=True)
class Velocity1P:
    """1P of one axis at one speed, in the units people quote it in; its standard error as a share of its size.

    ``scale_known``: whether the error of the accelerometer's scale is in it.
    """

    axis: str
    rpm: float
    sine: SineVibration
    stderr_share: float = 0.0
    scale_known: bool = False


def grade_mm_s(unbalance_g_mm: float, rotor_kg: float, rpm: float) -> float:
    """Balance quality e w in mm/s of a rotor of ``rotor_kg`` at ``rpm``, both above zero.

    ISO 21940-11: U = 9549 G m / n with U in g mm, m in kg, n in rpm and G in mm/s.
    """
    _must_turn(rotor_kg, rpm)
    return unbalance_g_mm / (rotor_kg * 1000.0) * 2 * np.pi * rpm / 60.0


def permitted_g_mm(grade: float, rotor_kg: float, rpm: float) -> float:
    """Residual unbalance in g mm that ``grade`` (mm/s) permits for ``rotor_kg`` at ``rpm``: ``grade_mm_s`` inverted."""
    _must_turn(rotor_kg, rpm)
    return grade * rotor_kg * 1000.0 * 60.0 / (2 * np.pi * rpm)


def sine_vibration(acceleration_g_peak: float, frequency_hz: float) -> SineVibration:
    """The figures of a sinusoidal acceleration: peak g in, peak and rms velocity and peak-to-peak displacement out.

    ``frequency_hz`` must be above zero. v = a / w, d = v / w (any vibration handbook).
    """
    velocity = velocity_mm_s_from_g(acceleration_g_peak, frequency_hz)
    displacement_um = velocity / (2 * np.pi * frequency_hz) * 1000.0
    return SineVibration(
        frequency_hz=frequency_hz,
        acceleration_g_peak=acceleration_g_peak,
        velocity_mm_s_peak=velocity,
        velocity_mm_s_rms=velocity / float(np.sqrt(2.0)),
        velocity_ips_peak=ips_from_mm_s(velocity),
        displacement_um_peak_to_peak=2 * displacement_um,
    )


def velocities(vectors: Vectors1P, scale_share: float = math.nan) -> tuple[Velocity1P, ...]:
    """1P velocity of every axis at every steady speed.

    ``scale_share``: standard error of the accelerometer's scale as a share; NaN: not known, left out, and said.
    """
    scale = 0.0 if math.isnan(scale_share) else scale_share
    return tuple(
        Velocity1P(
            axis,
            float(rpm),
            sine_vibration(float(abs(vectors.phasor_g[row, column])), float(rpm) / 60.0),
            math.hypot(float(vectors.stderr_g[row, column] / max(abs(vectors.phasor_g[row, column]), 1e-12)), scale),
            not math.isnan(scale_share),
        )
        for row, rpm in enumerate(vectors.rpm)
        for column, axis in enumerate(vectors.axes)
    )


def _must_turn(rotor_kg: float, rpm: float) -> None:
    if rotor_kg <= 0 or rpm <= 0:
        raise AnalysisError(f"rotor of {rotor_kg:g} kg at {rpm:g} rpm: a balance grade needs both above zero")
