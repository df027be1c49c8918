"""Pitch constraints that come from the blades themselves: reserve of root and blade, and the servo that holds them."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.pitch_limits.constraint import Constraint
from whirlbench.analysis.propeller import CoefficientFit, PropellerMap
from whirlbench.analysis.strength import (
    AirLoads,
    BladeUnderLoad,
    BuiltBlade,
    Yaw,
    build_blade,
    reserve_uses,
    servo_hold,
)
from whirlbench.errors import RigError
from whirlbench.physics.coefficients import thrust_n
from whirlbench.rig.description import Rig

SAMPLED_PITCHES = 7  # stress changes smoothly with pitch: so many are worked out, the rest interpolated


def strength_constraints(rig: Rig, propeller: PropellerMap) -> Iterator[Constraint | str]:
    """Root and blade reserve (share in use, at most 1) and servo torque against the twisting moment.

    Needs the fitted blade set; a plain line says what is missing where ``limits.root_reserve_factor`` or
    ``limits.servo_torque_n_m`` asks for a constraint that cannot be evaluated.
    """
    wanted = [name for name in ("root_reserve_factor", "servo_torque_n_m") if getattr(rig.limits, name) is not None]
    try:
        blade, count = _fitted_blade(rig)
    except RigError as error:
        yield from (f"{name}: {error}" for name in wanted)
        return
    yield from _reserve(rig, propeller, blade, count)
    yield from _servo(rig, propeller, blade, count)


def _fitted_blade(rig: Rig) -> tuple[BuiltBlade, int]:
    name = rig.propeller.blade_set
    if name is None or name not in rig.blade_sets:
        raise RigError("propeller.blade_set names no set in [blade_sets]")
    if rig.propeller.blades is None or rig.propeller.diameter_m is None:
        raise RigError("propeller.blades or diameter_m is missing")
    return build_blade(name, rig.blade_sets[name], rig.propeller.diameter_m), rig.propeller.blades


def _loaded(
    rig: Rig, blade: BuiltBlade, count: int, pitch_deg: float, ct: float, propeller: PropellerMap
) -> BladeUnderLoad:
    push = float(thrust_n(ct, 1.0, propeller.diameter_m, propeller.density_kg_m3))
    yaw_deg_s = (rig.stand.yaw_rate_deg_s or 0.0) if rig.stand.can_yaw else 0.0
    return BladeUnderLoad(blade, count, AirLoads(pitch_deg, push), Yaw(math.radians(yaw_deg_s)))


def _reserve(rig: Rig, propeller: PropellerMap, blade: BuiltBlade, count: int) -> Iterator[Constraint | str]:
    if propeller.ct is None:
        yield "root_reserve_factor: thrust was not recorded"
        return

    table = _ReserveTable(rig, propeller, propeller.ct, blade, count)

    def share(pitch_deg: np.ndarray, ct: np.ndarray, rpm: float) -> np.ndarray:
        return table.at(pitch_deg, ct, rpm)

    yield Constraint("blade_reserve", "share in use", 1.0, share, propeller.ct)


class _ReserveTable:
    """Share of the reserve in use over pitch, CT and speed: worked out once, straight in between.

    The share is a maximum of functions that rise ever faster with thrust and with speed, hence convex: straight lines
    between the points lie on the safe side.
    """

    def __init__(self, rig: Rig, propeller: PropellerMap, fit: CoefficientFit, blade: BuiltBlade, count: int) -> None:
        pitches = np.linspace(*fit.pitch_range_deg, 3)
        ct = fit.at(np.linspace(*fit.pitch_range_deg, SAMPLED_PITCHES), np.asarray(fit.reference_rpm)).value
        loads = np.linspace(0.0, 1.3 * ct.max(), 7)
        speeds = np.linspace(0.15, 1.5, 9) * fit.rpm_range[1]

        def uses(pitch_deg: float, push: float) -> list[float]:
            loaded = _loaded(rig, blade, count, pitch_deg, push, propeller)
            return reserve_uses(rig, loaded, speeds)

        self._axes = (pitches, loads, speeds)
        self._uses = np.array([[uses(pitch, push) for push in loads] for pitch in pitches])

    def at(self, pitch_deg: np.ndarray, ct: np.ndarray, rpm: float) -> np.ndarray:
        """Share in use at pitches and CT ``(n,)`` and one speed; beyond the table the lines go on."""
        from scipy.interpolate import RegularGridInterpolator

        table = RegularGridInterpolator(self._axes, self._uses, bounds_error=False, fill_value=None)
        return np.asarray(table(np.column_stack((pitch_deg, ct, np.full_like(pitch_deg, rpm)))))


def _servo(rig: Rig, propeller: PropellerMap, blade: BuiltBlade, count: int) -> Iterator[Constraint | str]:
    probe = servo_hold(rig, _loaded(rig, blade, count, 5.0, 0.0, propeller), 1000.0)
    if probe is None:
        if rig.limits.servo_torque_n_m is not None:
            yield "servo_torque_n_m: needs blade sections, servo.lever_ratio and servo.torque_n_m"
        return

    def torque(pitch_deg: np.ndarray, _coefficient: np.ndarray, rpm: float) -> np.ndarray:
        sampled = np.linspace(pitch_deg[0], pitch_deg[-1], SAMPLED_PITCHES)
        needed = []
        for pitch in sampled.tolist():
            hold = servo_hold(rig, _loaded(rig, blade, count, pitch, 0.0, propeller), rpm)
            needed.append(hold.servo_torque_n_m if hold else math.nan)
        result: np.ndarray = np.interp(pitch_deg, sampled, needed)
        return result

    yield Constraint("servo_torque_n_m", "N m", probe.available_n_m, torque)
