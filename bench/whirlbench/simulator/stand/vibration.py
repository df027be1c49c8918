"""Acceleration of the stand: unbalance and orders of shaft speed shake a mass on a damped spring, a sensor rides on it.

The response of the mass is that of every vibration text: a/F = s^2 / (m (s^2 + 2 z w0 s + w0^2)), in phase with the
force far above the resonance, opposite far below. It is run in time, so that passing a resonance and a blade loss ring.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from whirlbench.simulator.stand.faults import Effects
from whirlbench.simulator.stand.propeller import REFERENCE_RPM
from whirlbench.simulator.stand.settings import StandSettings
from whirlbench.units import STANDARD_GRAVITY_M_S2, rad_s_from_rpm

AXES = 3
G_MM_TO_KG_M = 1e-6
GRAVITY_G = (0.02, -0.03, 1.0)  # what the sensor reads at rest, a little tilted
SENSOR_NOISE_G = 0.012


class Motion(NamedTuple):
    """What the rotor did at the sample times; arrays ``(n,)``."""

    time_s: np.ndarray
    angle_rad: np.ndarray
    speed_rad_s: np.ndarray

    def part(self, first: int, last: int) -> Motion:
        """The samples from ``first`` up to, not with, ``last``."""
        return Motion(self.time_s[first:last], self.angle_rad[first:last], self.speed_rad_s[first:last])


class StandVibration:
    """Keeps the state of the three resonances between blocks of samples."""

    def __init__(
        self, stand: StandSettings, rng: np.random.Generator, rate_hz: float, axes: tuple[int, ...] = (0, 1, 2)
    ) -> None:
        self.stand, self.rate_hz, self.axes = stand, rate_hz, axes
        streams = rng.spawn(3 * AXES)
        self._noise, self._sensor, self._rattle = streams[:AXES], streams[AXES : 2 * AXES], streams[2 * AXES :]
        self._orders = np.asarray(stand.order_forces) * np.exp(1j * np.radians(stand.order_phase_deg))[:, None]
        self._mounts = [Mount(stand, axis, rate_hz) for axis in range(AXES)]

    def samples_g(self, motion: Motion, effects: Effects) -> np.ndarray:
        """Acceleration in g, ``(n, 3)``, of the next ``n`` samples at ``rate_hz``; sensor range is not applied here.

        Blocks must follow each other without a gap. Axes that are not simulated are zero.
        """
        force = self._force_n(motion, effects)
        seen = np.zeros((AXES, len(motion.time_s)))
        for axis in self.axes:
            shaken = self._mounts[axis].acceleration_m_s2(force[axis])
            seen[axis] = self._through_sensor(axis, shaken / STANDARD_GRAVITY_M_S2, effects)
        return seen.T

    def _force_n(self, motion: Motion, effects: Effects) -> np.ndarray:
        """Shaking force on the three axes, ``(3, n)``."""
        square = motion.speed_rad_s**2
        turn = np.exp(1j * motion.angle_rad)
        vector = self._unbalance_kg_m(motion.time_s, effects) * turn * square
        axial = self.stand.axial_share * effects.axial_factor
        force = np.stack((axial * vector.real, vector.imag, vector.real))
        self._add_orders(force, turn, square, effects)
        rough = square * (self.stand.broadband_n_rms / rad_s_from_rpm(REFERENCE_RPM) ** 2)
        for axis in self.axes:
            force[axis] += rough * self._noise[axis].standard_normal(len(square))
        return force

    def _unbalance_kg_m(self, time_s: np.ndarray, effects: Effects) -> np.ndarray:
        """The rotor's unbalance vector from the tach mark, drifting as the stand warms."""
        stand = self.stand
        warm = 1.0 - np.exp(-time_s / stand.warm_up_s)
        angle = np.radians(stand.unbalance_deg + stand.warm_up_deg * warm)
        own = stand.unbalance_g_mm * (1.0 + stand.warm_up_share * warm) * np.exp(1j * angle)
        result: np.ndarray = (own + effects.unbalance_g_mm) * G_MM_TO_KG_M
        return result

    def _add_orders(self, force: np.ndarray, turn: np.ndarray, square: np.ndarray, effects: Effects) -> None:
        powers = np.cumprod(np.broadcast_to(turn, (len(self._orders) + 1, len(turn))), axis=0)[1:]
        powers[0] *= effects.order2_factor
        force += (self._orders.T @ powers).real * square

    def _through_sensor(self, axis: int, seen: np.ndarray, effects: Effects) -> np.ndarray:
        """What a sensor glued (or no longer quite glued) to the stand gives out on one axis."""
        slack = effects.sensor_slack
        if np.any(slack):
            knocks = self._rattle[axis].standard_normal(len(seen)) ** 3  # heavy-tailed
            seen = seen * (1.0 - 0.6 * slack) + 0.5 * slack * (np.abs(seen) + 0.05) * knocks
        return seen + GRAVITY_G[axis] + SENSOR_NOISE_G * self._sensor[axis].standard_normal(len(seen))


class Mount:
    """Force to acceleration of one axis, sample by sample: a mass on a damped spring.

    Bilinear transform, pre-warped so that the resonance keeps its frequency; direct form II transposed. In plain
    Python on purpose: that takes 0.15 us a sample and spares a live session the second in which scipy loads.
    """

    def __init__(self, stand: StandSettings, axis: int, rate_hz: float) -> None:
        natural = 2.0 * math.tan(math.pi * stand.resonance_hz[axis] / rate_hz)  # times the sample period
        damping = 2.0 * stand.damping_ratio[axis] * natural
        lead = 4.0 + 2.0 * damping + natural**2
        self._ahead = 4.0 / (lead * stand.moving_mass_kg[axis])
        self._back1 = (2.0 * natural**2 - 8.0) / lead
        self._back2 = (4.0 - 2.0 * damping + natural**2) / lead
        self._first = self._second = 0.0

    def acceleration_m_s2(self, force_n: np.ndarray) -> np.ndarray:
        """Acceleration ``(n,)`` of the next ``n`` samples of force."""
        ahead, back1, back2, first, second = self._ahead, self._back1, self._back2, self._first, self._second
        out = []
        for force in (force_n * ahead).tolist():
            value = force + first
            first = second - 2.0 * force - back1 * value
            second = force - back2 * value
            out.append(value)
        self._first, self._second = first, second
        return np.array(out)
