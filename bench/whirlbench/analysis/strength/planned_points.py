"""Thrust, power and current to expect against rpm and pitch: from measured coefficients, or from a stated estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.shaft_power import drive_of
from whirlbench.analysis.strength.blade_build import aero_shape
from whirlbench.errors import RigError
from whirlbench.physics.coefficients import PLAUSIBLE_MERIT, figure_of_merit, power_w, thrust_n, torque_n_m
from whirlbench.physics.drive import Drive, cell_voltage_v, state_for_torque
from whirlbench.physics.static_estimate import CP_UNCERTAINTY, CT_UNCERTAINTY, static_estimate
from whirlbench.rig.blade_sets import BladeSet
from whirlbench.rig.description import Rig, require_number
from whirlbench.units import rad_s_from_rpm

PURPOSE = "planning thrust and power"
PLANNING_CHARGE = 0.6  # state of charge assumed for the pack voltage: the middle of a run
COVERAGE_FACTOR = 2.0  # standard errors to about 95 %
CAP_PITCHES = 41  # over a mode's range, to find where the blades take least
DEFAULT_STDERR = 0.05  # relative, of measured coefficients whose error the rig does not state


@dataclass(frozen=True)
class CoefficientCurve:
    """CT and CP against blade angle, ``(n,)``, with relative uncertainties (about 95 %) and where they are from."""

    pitch_deg: np.ndarray
    ct: np.ndarray
    cp: np.ndarray
    ct_uncertainty: float
    cp_uncertainty: float
    source: str

    def at(self, pitch_deg: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """(CT, CP) at blade angles in degrees; beyond the curve its end values are kept."""
        return np.interp(pitch_deg, self.pitch_deg, self.ct), np.interp(pitch_deg, self.pitch_deg, self.cp)


@dataclass(frozen=True)
class PlannedPoint:
    """What to expect at one speed and blade angle; current is None where the drive is unknown or cannot deliver."""

    rpm: float
    pitch_deg: float
    thrust_n: float
    thrust_range_n: tuple[float, float]
    power_w: float
    power_range_w: tuple[float, float]
    torque_n_m: float
    pack_current_a: float | None
    pack_current_range_a: tuple[float | None, float | None]
    duty: float | None
    light_duty: float | None  # for the lowest power of the range and a full pack: no faster than ``rpm``
    light_duty_rpm: tuple[float, ...] | None = None  # what that duty brings: expected; highest power, pack half used
    described: bool = False  # whether drive and pack are: a duty that is None is then one that does not exist


def coefficient_curve(rig: Rig, blades: BladeSet | None) -> CoefficientCurve | None:
    """Measured coefficients of the rig, else the static estimate from the blade's sections, else None."""
    measured = rig.propeller.coefficients
    if measured is not None:
        pitch, ct, cp = np.array(measured).T
        stated = rig.propeller.coefficients_stderr_pct
        share = COVERAGE_FACTOR * (DEFAULT_STDERR if stated is None else stated / 100.0)
        told = "no error stated, 5 % assumed" if stated is None else f"standard error {stated:g} %"
        return CoefficientCurve(pitch, ct, cp, share, share, f"measured, propeller.coefficients ({told})")
    if blades is None or rig.propeller.blades is None or rig.propeller.diameter_m is None:
        return None
    shape = aero_shape(blades, rig.propeller.blades, rig.propeller.diameter_m / 2.0)
    if shape is None:
        return None
    estimate = static_estimate(shape, np.arange(-6.0, 45.1, 1.0))
    source = (
        f"estimate by blade-element and momentum theory from the sections, CT +-{CT_UNCERTAINTY:.0%}, "
        f"CP +-{CP_UNCERTAINTY:.0%}; measure to replace it"
    )
    return CoefficientCurve(
        estimate.pitch_deg, estimate.ct, estimate.cp, estimate.ct_uncertainty, estimate.cp_uncertainty, source
    )


def implausible_coefficients(rig: Rig) -> tuple[str, ...]:
    """Complaints about measured coefficients that no propeller at rest gives: they point at a calibration.

    The upper gate of the figure of merit is applied only: stalled or nearly idle blades may fall below the lower one.
    """
    found = []
    for pitch_deg, ct, cp in rig.propeller.coefficients or ():
        merit = figure_of_merit(ct, cp) if ct > 0.0 and cp > 0.0 else 0.0
        if cp <= 0.0:
            found.append(f"propeller.coefficients at {pitch_deg:g} degrees: CP {cp:g} is not above zero")
        elif merit > PLAUSIBLE_MERIT[1]:
            found.append(
                f"propeller.coefficients at {pitch_deg:g} degrees: figure of merit {merit:.2f} is above "
                f"{PLAUSIBLE_MERIT[1]:g}; look at the calibration of thrust and current"
            )
    return tuple(found)


def plan_points(
    rig: Rig, curve: CoefficientCurve, density_kg_m3: float, rpm: Sequence[float], pitch_deg: Sequence[float]
) -> tuple[PlannedPoint, ...]:
    """Every combination of speeds in rpm and blade angles in degrees; needs ``propeller.diameter_m``."""
    diameter_m = require_number(rig, "propeller.diameter_m", PURPOSE)
    source = _source(rig)
    return tuple(_point(curve, diameter_m, density_kg_m3, speed, pitch, source) for speed in rpm for pitch in pitch_deg)


@dataclass(frozen=True)
class ThrottleCap:
    """Throttle travel of a lever position that cannot turn the propeller past ``rpm`` on a full pack, in percent.

    ``safe_pct`` for the lightest propeller to expect, ``best_pct`` for the expected one; 100 where full travel cannot.
    """

    mode: str
    pitch_deg: float
    rpm: float
    best_pct: float
    safe_pct: float


def throttle_caps(rig: Rig, curve: CoefficientCurve, density_kg_m3: float, rpm: float) -> tuple[ThrottleCap, ...]:
    """Of every powered mode, from its least pitch on; none where drive or pack are not described."""
    diameter_m, source = require_number(rig, "propeller.diameter_m", PURPOSE), _source(rig)
    if source is None:
        return ()
    found = []
    for name, mode in rig.modes.items():
        if mode.powered:
            _, cp = curve.at(np.linspace(mode.min_pitch_deg, mode.max_pitch_deg, CAP_PITCHES))
            lightest = max(float(cp.min()), 0.0) * np.array([1.0, max(1.0 - curve.cp_uncertainty, 0.0)])
            torque = np.asarray(torque_n_m(lightest, rpm, diameter_m, density_kg_m3))
            best, safe = greatest_openings_pct(source.drive, source.full_v, torque, rpm)
            found.append(ThrottleCap(name, mode.min_pitch_deg, rpm, best, safe))
    return tuple(found)


def greatest_openings_pct(drive: Drive, open_v: float, torque_n_m: np.ndarray, rpm: float) -> tuple[float, float]:
    """How far a throttle may open, in percent, before the drive turns past ``rpm`` against a torque there.

    ``torque_n_m`` ``(2,)``: that of the propeller to expect and of the lightest; 100 where full travel cannot.
    """
    duty = state_for_torque(drive, torque_n_m, np.full(2, rad_s_from_rpm(rpm)), open_v).duty
    best, safe = np.where(np.isfinite(duty), 100.0 * duty, 100.0)  # a drive that cannot deliver cannot pass
    return float(best), float(safe)


@dataclass(frozen=True)
class _Source:
    """Drive and pack: open-circuit voltages in V in the middle of a run and fully charged."""

    drive: Drive
    middle_v: float
    full_v: float

    def speed_at(self, duty: float, torque_per_square: float) -> float:
        """Steady speed in rad/s at a duty in the middle of a run, against a torque that grows with speed squared.

        The root of drive torque = load, a quadratic; 0 where the drive does not turn it at all.
        """
        drive = self.drive
        ohm, strength = drive.motor_ohm + duty * duty * drive.pack_ohm, drive.volt_s_per_rad * drive.gear_efficiency
        slope = strength * drive.volt_s_per_rad / ohm
        stall = strength * (duty * self.middle_v / ohm - drive.no_load_current_a)
        if stall <= 0.0:
            return 0.0
        return 2.0 * stall / (slope + math.sqrt(slope * slope + 4.0 * torque_per_square * stall))


def _source(rig: Rig) -> _Source | None:
    """Drive and pack of the rig, or None when motor constants or ``pack.cells`` are missing."""
    drive, cells = drive_of(rig), rig.pack.cells
    if drive is None or cells is None:
        return None
    middle_v, full_v = cells * cell_voltage_v(np.array([PLANNING_CHARGE, 1.0]))
    return _Source(drive, float(middle_v), float(full_v))


def planning_pitches(rig: Rig) -> tuple[float, ...]:
    """Blade angles worth a row: the modes' ends, else the ends of the pitch table; RigError when neither is there."""
    ends = {mode.min_pitch_deg for mode in rig.modes.values()} | {mode.max_pitch_deg for mode in rig.modes.values()}
    if not ends and rig.pitch.table is not None:
        ends = {row[1] for row in rig.pitch.table}
    if not ends:
        raise RigError(f"rig key modes is missing: {PURPOSE} needs it, or pitch.table")
    return tuple(sorted(ends))


def _point(
    curve: CoefficientCurve,
    diameter_m: float,
    density_kg_m3: float,
    rpm: float,
    pitch_deg: float,
    source: _Source | None,
) -> PlannedPoint:
    ct, cp = (float(value) for value in curve.at(pitch_deg))
    thrust = float(thrust_n(ct, rpm, diameter_m, density_kg_m3))
    power = float(power_w(cp, rpm, diameter_m, density_kg_m3))
    torque = float(torque_n_m(cp, rpm, diameter_m, density_kg_m3))
    spread = np.array([1.0, 1.0 - curve.cp_uncertainty, 1.0 + curve.cp_uncertainty])
    current, duty, light = _electric(source, torque * spread, rpm)
    reached: tuple[float, ...] | None = None
    if source is not None and light is not None and rpm > 0.0:
        per_square = torque * spread / rad_s_from_rpm(rpm) ** 2
        reached = tuple(source.speed_at(light, per_square[place]) / rad_s_from_rpm(1.0) for place in (0, 2))
    return PlannedPoint(
        rpm=rpm,
        pitch_deg=pitch_deg,
        thrust_n=thrust,
        thrust_range_n=_around(thrust, curve.ct_uncertainty),
        power_w=power,
        power_range_w=_around(power, curve.cp_uncertainty),
        torque_n_m=torque,
        pack_current_a=current[0],
        pack_current_range_a=(current[1], current[2]),
        duty=duty,
        light_duty=light,
        light_duty_rpm=reached,
        described=source is not None,
    )


def _around(value: float, share: float) -> tuple[float, float]:
    half = abs(value) * share
    return value - half, value + half


def _electric(
    source: _Source | None, torque_n_m: np.ndarray, rpm: float
) -> tuple[list[float | None], float | None, float | None]:
    """Pack currents at the middle, low and high torque, duty at the middle, duty at the low one with a full pack."""
    if source is None:
        return [None, None, None], None, None
    speed = np.full(3, rad_s_from_rpm(rpm))
    middle = state_for_torque(source.drive, torque_n_m, speed, source.middle_v)
    full = state_for_torque(source.drive, torque_n_m, speed, source.full_v)
    return [_finite(value) for value in middle.pack_current_a], _finite(middle.duty[0]), _finite(full.duty[1])


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
