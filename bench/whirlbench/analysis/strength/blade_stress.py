"""Loads and stresses of one blade set against speed: pull, bending with relief, and the worst section of the blade."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from whirlbench.analysis.strength.blade_build import BuiltBlade
from whirlbench.analysis.strength.root_modes import RootLoads
from whirlbench.physics.bending import THRUST_POWER, TORQUE_POWER, Bending, moment_n_m, relieved, torque_force_n
from whirlbench.physics.blade_loads import pull_n, twisting_moment_n_m
from whirlbench.physics.sections import section_properties
from whirlbench.units import rad_s_from_rpm

TIP_LEFT_OUT = 0.98  # stations end here: stress at the very tip is nothing over nothing
STATIONS = 60


@dataclass(frozen=True)
class AirLoads:
    """Greatest thrust and torque of the whole propeller worth planning for, at any speed.

    Each grows with rpm squared until the rig's limit cuts in; None where the propeller or the limit is not known.
    """

    pitch_deg: float
    thrust_n_per_rpm2: float | None = None
    torque_n_m_per_rpm2: float | None = None
    thrust_limit_n: float | None = None
    torque_limit_n_m: float | None = None
    power_limit_w: float | None = None

    def thrust_n(self, rpm: float) -> float:
        """Thrust in N at a speed in rpm; 0 when nothing is known."""
        own = None if self.thrust_n_per_rpm2 is None else self.thrust_n_per_rpm2 * rpm**2
        return _least(own, self.thrust_limit_n)

    def torque_n_m(self, rpm: float) -> float:
        """Torque in N m at a speed in rpm (above zero); 0 when nothing is known."""
        own = None if self.torque_n_m_per_rpm2 is None else self.torque_n_m_per_rpm2 * rpm**2
        by_power = None if self.power_limit_w is None else self.power_limit_w / float(rad_s_from_rpm(rpm))
        return _least(own, self.torque_limit_n_m, by_power)

    def kinks_rpm(self) -> list[float]:
        """Speeds at which a limit of the rig takes over from a load that grows."""
        found = []
        if self.thrust_n_per_rpm2 and self.thrust_limit_n is not None:
            found.append((self.thrust_limit_n / self.thrust_n_per_rpm2) ** 0.5)
        if self.torque_n_m_per_rpm2 and self.torque_limit_n_m is not None:
            found.append((self.torque_limit_n_m / self.torque_n_m_per_rpm2) ** 0.5)
        if self.power_limit_w is not None:
            per_rpm_w = self.power_limit_w / float(rad_s_from_rpm(1.0))
            if self.torque_n_m_per_rpm2:
                found.append((per_rpm_w / self.torque_n_m_per_rpm2) ** (1.0 / 3.0))
            if self.torque_limit_n_m:
                found.append(per_rpm_w / self.torque_limit_n_m)
        return found

    def source(self, rpm: float) -> str:
        """Where the thrust at a speed comes from."""
        if self.thrust_n_per_rpm2 is None and self.thrust_limit_n is None:
            return "unknown: bending is left out"
        limit = self.thrust_limit_n
        if self.thrust_n_per_rpm2 is None or (limit is not None and limit < self.thrust_n_per_rpm2 * rpm**2):
            return "limits.thrust_n, which trips beyond it"
        return f"coarse pitch {self.pitch_deg:g} degrees with the coefficients' upper uncertainty"


def _least(*values: float | None) -> float:
    """The smallest of the known values, never negative; 0 when none is known."""
    known = [value for value in values if value is not None]
    return max(min(known), 0.0) if known else 0.0


@dataclass(frozen=True)
class Yaw:
    """How fast the stand may swing; 0 for a stand that cannot."""

    rate_rad_s: float = 0.0


@dataclass(frozen=True)
class BladeLoads:
    """Loads of one blade at one speed; moments at the mouth of the grip. ``relieved_n_m`` is None without sections."""

    rpm: float
    pull_n: float
    mouth_pull_n: float
    thrust_moment_n_m: float
    relieved_n_m: float | None
    torque_moment_n_m: float
    gyroscopic_n_m: float
    flap_moment_n_m: float
    edge_moment_n_m: float
    twisting_n_m: float | None

    @property
    def root(self) -> RootLoads:
        """What the root sees."""
        return RootLoads(self.pull_n, self.mouth_pull_n, self.flap_moment_n_m, self.edge_moment_n_m)


@dataclass(frozen=True)
class SectionStress:
    """Stress along the blade, arrays ``(n,)``."""

    radius_m: np.ndarray
    direct_pa: np.ndarray
    flap_pa: np.ndarray
    edge_pa: np.ndarray
    chord_m: np.ndarray
    thickness_m: np.ndarray

    @property
    def bending_pa(self) -> np.ndarray:
        """Bending stress the thin and the wide way together."""
        result: np.ndarray = self.flap_pa + self.edge_pa
        return result

    @property
    def worst(self) -> tuple[float, float]:
        """(radius in m, stress in Pa) of the highest stress."""
        return float(self.radius_m[self._place]), sum(self.worst_parts_pa)

    @property
    def worst_parts_pa(self) -> tuple[float, float]:
        """Direct and bending stress where their sum is highest."""
        return float(self.direct_pa[self._place]), float(self.bending_pa[self._place])

    @property
    def _place(self) -> int:
        return int(np.argmax(self.direct_pa + self.bending_pa))


@dataclass(frozen=True)
class BladeUnderLoad:
    """One blade of a set under the planned air loads: loads and section stresses at any speed."""

    built: BuiltBlade
    count: int
    air: AirLoads
    yaw: Yaw
    _bent: dict[float, Bending | None] = field(default_factory=dict, repr=False, compare=False)  # one solution a speed

    def loads(self, rpm: float) -> BladeLoads:
        """Loads at a speed in rpm (above zero)."""
        built, speed = self.built, float(rad_s_from_rpm(rpm))
        mouth = np.array([built.mouth_m])
        thrust_moment, relief = self._thrust_moments(rpm, mouth)
        torque_moment = float(self._torque_moment(rpm, mouth)[0])
        gyroscopic = float(built.gyroscopic_n_m(speed, self.yaw.rate_rad_s, mouth)[0])
        out_of_plane = float(thrust_moment[0] if relief is None else relief[0]) + gyroscopic
        flap, edge = self._section_axes(out_of_plane, torque_moment, built.angle_rad(mouth, self.air.pitch_deg)[0])
        return BladeLoads(
            rpm=rpm,
            pull_n=built.pull_n(speed, built.held_at_m),
            mouth_pull_n=built.pull_n(speed, built.mouth_m),
            thrust_moment_n_m=float(thrust_moment[0]),
            relieved_n_m=None if relief is None else float(relief[0]),
            torque_moment_n_m=torque_moment,
            gyroscopic_n_m=gyroscopic,
            flap_moment_n_m=float(flap),
            edge_moment_n_m=float(edge),
            twisting_n_m=self.twisting_n_m(rpm),
        )

    def section_stress(self, rpm: float) -> SectionStress | None:
        """Stress along the blade outside its grip, or None where the sections do not tell it."""
        built = self.built
        chord, thickness = self._outline
        if built.distribution is None or built.shape is None or chord is None or thickness is None:
            return None
        known, radius = built.distribution.radius_m, self._stations_m
        chord, thickness = np.interp(radius, known, chord), np.interp(radius, known, thickness)
        section = section_properties(built.blades.shape, chord, thickness)
        plain, relief = self._thrust_moments(rpm, radius)
        angle = built.angle_rad(radius, self.air.pitch_deg)
        out_of_plane = (plain if relief is None else relief) + float(rad_s_from_rpm(rpm)) * self._gyroscopic_per_speed
        flap, edge = self._section_axes(out_of_plane, self._torque_moment(rpm, radius), angle)
        pull = float(rad_s_from_rpm(rpm)) ** 2 * self._first_moments
        bending = (flap / section.flap_modulus_m3, edge / section.edge_modulus_m3)
        return SectionStress(radius, pull / section.area_m2, *bending, chord, thickness)

    @cached_property
    def _stations_m(self) -> np.ndarray:
        built = self.built
        assert built.distribution is not None
        first = max(built.mouth_m, float(built.distribution.radius_m[0]))
        return np.linspace(first, built.tip_m * TIP_LEFT_OUT, STATIONS)

    @cached_property
    def _first_moments(self) -> np.ndarray:
        """Pull at the stations over the square of the angular velocity."""
        assert self.built.distribution is not None
        return pull_n(self.built.distribution, 1.0, self._stations_m)

    @cached_property
    def _gyroscopic_per_speed(self) -> np.ndarray:
        """Once-a-revolution moment at the stations over the angular velocity."""
        if self.yaw.rate_rad_s == 0.0:
            return np.zeros_like(self._stations_m)
        return self.built.gyroscopic_n_m(1.0, self.yaw.rate_rad_s, self._stations_m)

    @cached_property
    def _outline(self) -> tuple[np.ndarray | None, np.ndarray | None]:
        rows = self.built.blades.sections or ()
        columns = ([row.chord_m for row in rows], [row.thickness_m for row in rows])
        chord, thickness = (None if not rows or None in column else np.array(column, float) for column in columns)
        return chord, thickness

    def _thrust_moments(self, rpm: float, radius_m: np.ndarray) -> tuple[np.ndarray, np.ndarray | None]:
        """Out-of-plane moment at radii: without relief, and with it where the blade is known as a beam."""
        built, thrust = self.built, self.air.thrust_n(rpm) / self.count
        plain = moment_n_m(thrust, THRUST_POWER, built.mouth_m, built.tip_m, radius_m)
        if rpm not in self._bent:
            beam = built.beam(float(rad_s_from_rpm(rpm)))
            self._bent[rpm] = None if beam is None else relieved(beam, thrust)
        bent = self._bent[rpm]
        return plain, None if bent is None else np.interp(radius_m, bent.radius_m, bent.moment_n_m)

    def _torque_moment(self, rpm: float, radius_m: np.ndarray) -> np.ndarray:
        """In-plane moment at radii; no relief is claimed for it."""
        built = self.built
        force = torque_force_n(self.air.torque_n_m(rpm) / self.count, built.mouth_m, built.tip_m)
        return moment_n_m(force, TORQUE_POWER, built.mouth_m, built.tip_m, radius_m)

    def _section_axes(
        self, out_of_plane: np.ndarray | float, in_plane: np.ndarray | float, angle: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Moments that bend the section the thin way and the wide way, from thrust-wise and torque-wise moments."""
        flap = np.abs(out_of_plane * np.cos(angle) + in_plane * np.sin(angle))
        return flap, np.abs(out_of_plane * np.sin(angle) - in_plane * np.cos(angle))

    def twisting_n_m(self, rpm: float) -> float | None:
        """Centrifugal moment about the pitch axis in N m at a speed in rpm, or None where sections do not tell it."""
        built, speed = self.built, float(rad_s_from_rpm(rpm))
        if built.distribution is None or built.shape is None:
            return None
        return twisting_moment_n_m(built.distribution, speed, math.radians(self.air.pitch_deg), built.mouth_m)
