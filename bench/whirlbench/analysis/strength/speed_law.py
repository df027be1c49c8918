"""How the loads of one blade go with speed, and the speed at which the first reserve is used up.

One law for every figure: pull grows with speed squared; thrust and torque each by its own power until a limit of the
rig cuts in; bending is relieved by the pull; a yawing stand adds a moment that grows with speed. All are tabled over
speed squared, so that a blade of any size has its permitted speed found on the same curves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.strength.allowables import Allowable
from whirlbench.analysis.strength.blade_stress import BladeUnderLoad, SectionStress
from whirlbench.analysis.strength.root_modes import RootGeometry, RootLoads, RootMode, named
from whirlbench.physics.root_stress import Values

SLOWEST_RPM = 20.0
BEYOND_SOUND = 2.0  # times a tip at the speed of sound: nothing here turns faster
SPEED_OF_SOUND_M_S = 340.0
SPEEDS = 90
HALVINGS = 34
SECANTS = 12
CLOSE = 1e-8  # of the stress sought
THINNER_M = 2e-4  # sections that would be worst when all are this much thinner are followed, too
LEAST_LENGTH_M = 1e-4


@dataclass(frozen=True)
class SpeedLaw:
    """Loads over rpm squared at speeds ``rpm`` ``(n,)``; of the blade's worst ``k`` sections stresses ``(n, k)``."""

    rpm: np.ndarray
    pull: float
    mouth_pull: float
    flap: np.ndarray
    edge: np.ndarray
    chord_m: np.ndarray  # (k,)
    thickness_m: np.ndarray  # (k,)
    direct: np.ndarray  # (k,)
    flap_stress: np.ndarray
    edge_stress: np.ndarray

    @property
    def top_rpm(self) -> float:
        """The fastest speed that is looked at."""
        return float(self.rpm[-1])

    def loads(self, rpm: Values, mass: Values = 1.0) -> RootLoads:
        """Loads on the root at speeds; ``mass`` is first moment of mass over the nominal one."""
        squared, place = np.square(rpm), self._place(rpm)
        return RootLoads(
            pull_n=self.pull * squared * mass,
            mouth_pull_n=self.mouth_pull * squared * mass,
            flap_moment_n_m=_along(self.flap, place) * squared,
            edge_moment_n_m=_along(self.edge, place) * squared,
        )

    def _place(self, rpm: Values) -> tuple[np.ndarray, np.ndarray]:
        """(number of the step, share of the way to the next) of speeds; held at the ends."""
        known, at = np.log(self.rpm), np.log(np.clip(rpm, self.rpm[0], self.rpm[-1]))
        step = np.clip(np.searchsorted(known, at, side="right") - 1, 0, len(known) - 2)
        return step, (at - known[step]) / (known[step + 1] - known[step])

    def section_pa(self, rpm: Values, geometry: RootGeometry, mass: Values = 1.0) -> Values:
        """Stress of the worst section at speeds; 0 for a blade without sections."""
        place = self._place(rpm)
        wider, thicker = geometry["section_chord_m"], geometry["section_thickness_m"]
        worst: Values = 0.0 * np.asarray(rpm)
        for number in range(len(self.direct)):
            c = self.chord_m[number] / np.maximum(self.chord_m[number] + wider, LEAST_LENGTH_M)
            t = self.thickness_m[number] / np.maximum(self.thickness_m[number] + thicker, LEAST_LENGTH_M)
            flap = _along(self.flap_stress[:, number], place)
            edge = _along(self.edge_stress[:, number], place)
            stress = self.direct[number] * mass * c * t + flap * c * t**2 + edge * t * c**2
            worst = np.maximum(worst, stress * np.square(rpm))
        return worst


def _along(values: np.ndarray, place: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    step, share = place
    result: np.ndarray = values[step] + share * (values[step + 1] - values[step])
    return result


def speed_law(loaded: BladeUnderLoad) -> SpeedLaw:
    """The law of one blade under its air loads."""
    rpm = _speeds(loaded)
    loads = [loaded.loads(float(speed)) for speed in rpm]
    sections = [loaded.section_stress(float(speed)) for speed in rpm]
    places = _worst_places([item for item in sections if item is not None])
    first, squared = sections[0], rpm[:, None] ** 2

    def column(name: str) -> np.ndarray:
        if first is None:
            return np.zeros((len(rpm), 0))
        found: np.ndarray = np.array([getattr(item, name)[places] for item in sections]) / squared
        return found

    return SpeedLaw(
        rpm=rpm,
        pull=loads[0].pull_n / rpm[0] ** 2,
        mouth_pull=loads[0].mouth_pull_n / rpm[0] ** 2,
        flap=np.array([item.flap_moment_n_m for item in loads]) / rpm**2,
        edge=np.array([item.edge_moment_n_m for item in loads]) / rpm**2,
        chord_m=np.empty(0) if first is None else first.chord_m[places],
        thickness_m=np.empty(0) if first is None else first.thickness_m[places],
        direct=np.empty(0) if first is None else first.direct_pa[places] / rpm[0] ** 2,
        flap_stress=column("flap_pa"),
        edge_stress=column("edge_pa"),
    )


def _speeds(loaded: BladeUnderLoad) -> np.ndarray:
    """Speeds evenly spaced by ratio, with the kinks where a limit of the rig takes over."""
    top = BEYOND_SOUND * SPEED_OF_SOUND_M_S / (2.0 * math.pi * loaded.built.tip_m) * 60.0
    even = np.geomspace(SLOWEST_RPM, top, SPEEDS)
    kinks = [speed for speed in loaded.air.kinks_rpm() if SLOWEST_RPM < speed < top]
    return np.unique(np.concatenate((even, kinks)))


def _worst_places(sections: Sequence[SectionStress]) -> np.ndarray:
    """Stations that are the worst at some speed, as drawn or a little thinner; none without sections."""
    found: set[int] = set()
    for item in sections:
        thin = item.thickness_m / np.maximum(item.thickness_m - THINNER_M, LEAST_LENGTH_M)
        for stress in (item.direct_pa + item.bending_pa, item.direct_pa * thin + item.bending_pa * thin**2):
            found.add(int(np.argmax(stress)))
    return np.array(sorted(found), dtype=int)


@dataclass(frozen=True)
class Case:
    """Modes of one blade with its law: shares of the reserve in use for nominal or drawn sizes.

    ``section`` is the allowable of the blade outside its grip, None without sections.
    """

    law: SpeedLaw
    modes: tuple[RootMode, ...]
    section: Allowable | None
    required: float

    @property
    def judged(self) -> tuple[RootMode, ...]:
        """Modes that count, the blade's section last."""
        found = [mode for mode in self.modes if mode.judged]
        return (*found, self.section_mode()) if self.section is not None else tuple(found)

    def section_mode(self) -> RootMode:
        """The blade outside its grip as a mode; its stress is found by ``stress_pa``."""
        assert self.section is not None

        def nothing(geometry: RootGeometry, loads: RootLoads) -> Values:
            raise AssertionError("the section's stress goes with speed and is asked of the case")

        return RootMode("blade", named("blade section", self.section), self.section, self.required, True, nothing)

    def stress_pa(self, mode: RootMode, rpm: Values, geometry: RootGeometry, mass: Values = 1.0) -> Values:
        """Stress of a mode at speeds."""
        if mode.key == "blade":
            return self.law.section_pa(rpm, geometry, mass)
        return mode.stress_pa(geometry, self.law.loads(rpm, mass))

    def permitted_rpm(
        self, mode: RootMode, geometry: RootGeometry, mass: Values = 1.0, strength: Values = 1.0
    ) -> Values:
        """Speeds at which a mode's reserve is used up, inf for a stress that no speed brings there.

        ``strength`` is the drawn strength over the allowable.
        """
        limit = mode.allowable.value_pa * np.asarray(strength, dtype=float) / mode.required
        shape = np.broadcast_shapes(
            limit.shape, np.shape(mass), *(np.shape(value) for value in geometry.sizes.values())
        )
        top = np.full(shape, self.law.top_rpm)
        at_top = self.stress_pa(mode, top, geometry, mass)
        if not mode.spun:
            return np.where(at_top <= limit, math.inf, 0.0)
        never = at_top < limit
        sought = np.where(never | ~(limit > 0.0), at_top, limit)  # a limit that is no number permits nothing
        found = self._speed_at(mode, sought, geometry, mass, top)
        permitted: np.ndarray = np.where(never, math.inf, np.where(limit > 0.0, found, 0.0))
        return permitted

    def _speed_at(
        self, mode: RootMode, limit_pa: np.ndarray, geometry: RootGeometry, mass: Values, top_rpm: np.ndarray
    ) -> Values:
        """Speeds at which a stress that rises with speed reaches ``limit_pa``: secants on logarithms, else halving."""

        def excess(log_rpm: np.ndarray) -> np.ndarray:
            return np.asarray(np.log(self.stress_pa(mode, np.exp(log_rpm), geometry, mass) / limit_pa))

        before, over_before = np.log(top_rpm), excess(np.log(top_rpm))
        at = before - over_before / 2.0
        for _ in range(SECANTS):
            over = excess(at)
            if np.all(np.abs(over) < CLOSE):
                return np.asarray(np.exp(at))
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = (over - over_before) / (at - before)
            slope = np.where((slope > 0.5) & (slope < 4.0), slope, 2.0)
            before, over_before, at = at, over, at - over / slope
        low, high = np.full(limit_pa.shape, math.log(SLOWEST_RPM / 1e3)), np.log(top_rpm)
        for _ in range(HALVINGS):
            middle = (low + high) / 2.0
            under = excess(middle) < 0.0
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray(np.exp(low))
