"""The rig's limits as constraints on pitch: thrust, power, current, pack voltage, motor torque, head-room, blades."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np

from whirlbench.analysis.pitch_limits.blade_constraints import strength_constraints
from whirlbench.analysis.pitch_limits.constraint import Constraint, Quantity
from whirlbench.analysis.pitch_limits.pack_line import PackLine
from whirlbench.analysis.pitch_limits.throttle_line import fit_throttle
from whirlbench.analysis.propeller import Hold, PropellerMap
from whirlbench.analysis.shaft_power import drive_of, electrical_power_w
from whirlbench.errors import AnalysisError
from whirlbench.physics import coefficients, drive
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm


def constraints_of(
    rig: Rig, propeller: PropellerMap, pack: PackLine | None, holds: Sequence[Hold]
) -> tuple[tuple[Constraint, ...], tuple[str, ...]]:
    """All constraints the rig sets, and what kept others from being evaluated."""
    found: list[Constraint] = []
    missing: list[str] = []
    sources = (
        _thrust_constraint(rig, propeller),
        _electrical_constraints(rig, propeller, pack),
        _drive_constraints(rig, propeller, pack, holds),
        strength_constraints(rig, propeller),
    )
    for item in chain(*sources):
        (missing if isinstance(item, str) else found).append(item)  # type: ignore[arg-type]
    return tuple(found), tuple(missing)


def _thrust_constraint(rig: Rig, propeller: PropellerMap) -> Iterator[Constraint | str]:
    limit = rig.limits.thrust_n
    if limit is None:
        return
    if propeller.ct is None:
        yield "thrust_n: thrust was not recorded"
        return

    def thrust(pitch_deg: np.ndarray, ct: np.ndarray, rpm: float) -> np.ndarray:
        return np.asarray(coefficients.thrust_n(ct, rpm, propeller.diameter_m, propeller.density_kg_m3))

    yield Constraint("thrust_n", "N", limit, thrust, propeller.ct)


def _electrical_constraints(rig: Rig, propeller: PropellerMap, pack: PackLine | None) -> Iterator[Constraint | str]:
    """Power, current and pack voltage, all from CP."""
    limits = rig.limits
    wanted = [name for name in ("power_w", "current_a", "minimum_voltage_v") if getattr(limits, name) is not None]
    if propeller.cp is None or pack is None:
        lack = "current" if propeller.cp is None else "pack voltage under load"
        yield from (f"{name}: {lack} was not recorded" for name in wanted)
        return
    power = _electrical_power(rig, propeller)
    line = pack
    if limits.power_w is not None:
        yield Constraint("power_w", "W", limits.power_w, power, propeller.cp)
    if limits.current_a is not None:

        def current(pitch_deg: np.ndarray, cp: np.ndarray, rpm: float) -> np.ndarray:
            return _or_infinite(line.current_a(power(pitch_deg, cp, rpm)))

        spread_a = limits.current_a * line.scatter_v / line.open_voltage_v
        yield Constraint("current_a", "A", limits.current_a, current, propeller.cp, spread_a)
    if limits.minimum_voltage_v is not None:

        def sag(pitch_deg: np.ndarray, cp: np.ndarray, rpm: float) -> np.ndarray:
            return _or_infinite(line.resistance_ohm * line.current_a(power(pitch_deg, cp, rpm)))

        allowed_v = line.open_voltage_v - limits.minimum_voltage_v
        yield Constraint("minimum_voltage_v", "V of sag", allowed_v, sag, propeller.cp, line.scatter_v)


def _electrical_power(rig: Rig, propeller: PropellerMap) -> Quantity:
    """Electrical power from CP: through the motor constants when CP is that of the shaft."""
    constants = drive_of(rig)

    def power(pitch_deg: np.ndarray, cp: np.ndarray, rpm: float) -> np.ndarray:
        shaft_w = np.asarray(coefficients.power_w(cp, rpm, propeller.diameter_m, propeller.density_kg_m3))
        if constants is None:
            return shaft_w
        return electrical_power_w(constants, shaft_w / rad_s_from_rpm(rpm), np.asarray(rpm))

    return power


def _or_infinite(values: np.ndarray) -> np.ndarray:
    """NaN, the pack cannot deliver it, turned into an excess of any limit."""
    return np.where(np.isnan(values), np.inf, values)


def _drive_constraints(
    rig: Rig, propeller: PropellerMap, pack: PackLine | None, holds: Sequence[Hold]
) -> Iterator[Constraint | str]:
    """Motor torque and governor head-room: both need the motor constants."""
    limits = rig.limits
    wanted = [name for name in ("motor_torque_n_m", "throttle_headroom_pct") if getattr(limits, name) is not None]
    constants = drive_of(rig, pack.resistance_ohm if pack else None)
    if propeller.cp is None or constants is None or pack is None:
        lacking = "motor constants" if constants is None else "current and voltage"
        yield from (f"{name}: {lacking} missing" for name in wanted)
        return

    def motor_torque(pitch_deg: np.ndarray, cp: np.ndarray, rpm: float) -> np.ndarray:
        shaft = np.asarray(coefficients.torque_n_m(cp, rpm, propeller.diameter_m, propeller.density_kg_m3))
        return shaft / rig.motor.gear_ratio

    if limits.motor_torque_n_m is not None:
        yield Constraint("motor_torque_n_m", "N m", limits.motor_torque_n_m, motor_torque, propeller.cp)
    if limits.throttle_headroom_pct is not None:
        allowed = 100.0 - limits.throttle_headroom_pct
        need, scatter_pct = throttle_need(rig, propeller, pack, holds)
        yield Constraint("throttle_headroom_pct", "% of throttle", allowed, need, propeller.cp, scatter_pct)


def throttle_need(rig: Rig, propeller: PropellerMap, pack: PackLine, holds: Sequence[Hold]) -> tuple[Quantity, float]:
    """Throttle in percent that a point needs, corrected by what the holds needed, and its scatter.

    AnalysisError when the rig lacks motor constants.
    """
    constants = drive_of(rig, pack.resistance_ohm)
    if constants is None:
        raise AnalysisError("the throttle a point needs cannot be told: the rig lacks motor constants")
    line = fit_throttle(holds, rig, constants)

    def throttle_pct(pitch_deg: np.ndarray, cp: np.ndarray, rpm: float) -> np.ndarray:
        torque = np.asarray(coefficients.torque_n_m(cp, rpm, propeller.diameter_m, propeller.density_kg_m3))
        speed_rad_s = np.full_like(pitch_deg, rad_s_from_rpm(rpm))
        state = drive.state_for_torque(constants, torque, speed_rad_s, pack.open_voltage_v)
        return _or_infinite(line.throttle_pct(state.duty))

    allowed = 100.0 - (rig.limits.throttle_headroom_pct or 0.0)
    return throttle_pct, line.stderr_pct(allowed)
