"""Static thrust and power coefficients against blade angle, from one representative blade section.

The section at 0.75 radius stands for the blade: uniform inflow by momentum theory, lift and drag by strip theory.
Source of the relations CT = s cl / 6, CP = kappa lambda CT + s cd / 8, lambda = sqrt(CT / 2): the hover theory of
any rotorcraft text (constant lift coefficient along the blade), from memory; converted to propeller coefficients
with T = CT rho n^2 D^4 and P = CP rho n^3 D^5. Swirl and tip loss are inside ``kappa``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

REFERENCE_RPM = 4500.0
GRID_DEG = 0.125
LOWEST_DEG, HIGHEST_DEG = -20.0, 45.0
CT_FROM_ROTOR = math.pi**3 / 4.0
CP_FROM_ROTOR = math.pi**4 / 4.0


@dataclass(frozen=True)
class Blades:
    """Aerodynamics of a set of blades; angles in degrees, slopes per degree, coefficients without unit."""

    count: int = 4
    solidity: float = 0.118  # blades * chord / (pi R)
    lift_slope_per_deg: float = 0.091
    zero_lift_deg: float = -2.6
    stall_deg: float = 9.8  # angle of attack of the section at 0.75 radius
    lift_after_stall_per_deg: float = 0.0
    drag_min: float = 0.020
    drag_lift2: float = 0.011  # growth with lift squared below stall
    drag_after_stall_per_deg: float = 0.022
    induced_factor: float = 1.19  # kappa
    ct_rpm_trend: float = 0.05  # relative change when rpm doubles from the reference, Reynolds and Mach lumped
    cp_rpm_trend: float = 0.04  # (two-blade static tables at model scale show up to twice this)

    def lift(self, attack_deg: np.ndarray) -> np.ndarray:
        """Section lift coefficient: a straight line with a kink at stall on either side."""
        inside = np.clip(attack_deg, -self.stall_deg, self.stall_deg)
        beyond = np.abs(attack_deg) - np.abs(inside)
        slope = self.lift_after_stall_per_deg * np.sign(attack_deg)
        result: np.ndarray = self.lift_slope_per_deg * (inside - self.zero_lift_deg) + slope * beyond
        return result

    def drag(self, attack_deg: np.ndarray) -> np.ndarray:
        """Section drag coefficient: parabola in lift, and a steep straight rise beyond stall."""
        inside = np.clip(attack_deg, -self.stall_deg, self.stall_deg)
        lift = self.lift_slope_per_deg * (inside - self.zero_lift_deg)
        beyond = np.abs(attack_deg) - np.abs(inside)
        result: np.ndarray = self.drag_min + self.drag_lift2 * lift**2 + self.drag_after_stall_per_deg * beyond
        return result

    @cached_property
    def table(self) -> CoefficientTable:
        """The coefficients on a fine grid of blade angle."""
        attack = np.linspace(-24.0, 42.0, 6601)
        rotor_ct = self.solidity * self.lift(attack) / 6.0
        inflow = np.sqrt(np.abs(rotor_ct) / 2.0)
        rotor_cp = self.induced_factor * inflow * np.abs(rotor_ct) + self.solidity * self.drag(attack) / 8.0
        pitch = attack + np.degrees(np.sign(rotor_ct) * inflow / 0.75)
        grid = np.arange(LOWEST_DEG, HIGHEST_DEG + GRID_DEG, GRID_DEG)
        ct = np.interp(grid, pitch, rotor_ct * CT_FROM_ROTOR)
        cp = np.interp(grid, pitch, rotor_cp * CP_FROM_ROTOR)
        return CoefficientTable(grid, ct, cp, self.ct_rpm_trend, self.cp_rpm_trend)

    @property
    def stall_pitch_deg(self) -> float:
        """Blade angle at which the representative section stalls at rest of the air: where the curves kink."""
        rotor_ct = self.solidity * float(self.lift(np.array(self.stall_deg))) / 6.0
        return self.stall_deg + math.degrees(math.sqrt(rotor_ct / 2.0) / 0.75)


class CoefficientTable:
    """CT and CP against blade angle and rpm: ``ct``/``cp`` for arrays, ``at`` for one point, quickly."""

    def __init__(self, pitch_deg: np.ndarray, ct: np.ndarray, cp: np.ndarray, ct_trend: float, cp_trend: float):
        self.pitch_deg, self._ct, self._cp = pitch_deg, ct, cp
        self._ct_list, self._cp_list = ct.tolist(), cp.tolist()
        self._ct_trend, self._cp_trend = ct_trend / REFERENCE_RPM, cp_trend / REFERENCE_RPM
        self._last = len(self._ct_list) - 2

    def ct(self, pitch_deg: np.ndarray, rpm: np.ndarray = REFERENCE_RPM) -> np.ndarray:  # type: ignore[assignment]
        """Thrust coefficient at blade angles in degrees and speeds in rpm; clamped to the grid's ends."""
        result: np.ndarray = np.interp(pitch_deg, self.pitch_deg, self._ct) * (
            1.0 + self._ct_trend * (rpm - REFERENCE_RPM)
        )
        return result

    def cp(self, pitch_deg: np.ndarray, rpm: np.ndarray = REFERENCE_RPM) -> np.ndarray:  # type: ignore[assignment]
        """Power coefficient at blade angles in degrees and speeds in rpm; clamped to the grid's ends."""
        result: np.ndarray = np.interp(pitch_deg, self.pitch_deg, self._cp) * (
            1.0 + self._cp_trend * (rpm - REFERENCE_RPM)
        )
        return result

    def at(self, pitch_deg: float, rpm: float) -> tuple[float, float]:
        """(CT, CP) at one blade angle and speed, without numpy's overhead."""
        place = (pitch_deg - LOWEST_DEG) / GRID_DEG
        index = int(place)
        if place <= 0.0:
            index, place = 0, 0.0
        elif index > self._last:
            index, place = self._last, self._last + 1.0
        share = place - index
        ct, cp, over = self._ct_list, self._cp_list, rpm - REFERENCE_RPM
        return (
            (ct[index] + share * (ct[index + 1] - ct[index])) * (1.0 + self._ct_trend * over),
            (cp[index] + share * (cp[index + 1] - cp[index])) * (1.0 + self._cp_trend * over),
        )
