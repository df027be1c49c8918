"""Servo end points for each lever position: from permitted pitch to transmitter settings, rounded to the safe side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.pitch_limits.least_pitch import LeastPitch, SafeThrottle
from whirlbench.analysis.pitch_limits.limits import (
    PitchLimits,
    SpeedLimits,
    floors_of,
    limits_at_speeds,
    safe_throttle_of,
)
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Mode, Rig, require

SPEEDS_PER_MODE = 7


@dataclass(frozen=True)
class EndPoint:
    """One end of the servo's travel in a mode."""

    pitch_deg: float
    servo_us: int
    travel_pct: int
    set_by: str  # "rig" for the mode's own figure, else the constraint that was stricter


@dataclass(frozen=True)
class ModeEndPoints:
    """Both ends of a mode's pitch range, or None and the reason when no safe range is left.

    The ends hold only while the throttle travels no further than ``throttle_pct``, 0 where the motor may not be driven;
    ``beyond_cap`` says in one line what a full travel would leave of them, empty where it changes nothing.
    ``safe_throttle``: the greatest travel that would leave the whole range; None without a motor, where it is not
    known, and where no travel would.
    """

    mode: str
    rpm: tuple[float, float]
    fine: EndPoint | None
    coarse: EndPoint | None
    remark: str = ""
    throttle_pct: float = 100.0
    beyond_cap: str = ""
    safe_throttle: SafeThrottle | None = None


def mode_end_points(limits: PitchLimits, rig: Rig) -> tuple[ModeEndPoints, ...]:
    """End points of every mode of ``rig``, from the 95 % safe limits over each mode's rpm range.

    Needs ``pitch.table`` and at least one mode; RigError names what is missing. The part of a mode's range outside the
    measured pitches is not granted: the end point stays at the measured range and the remark says so.
    """
    require(rig, "pitch.table", "servo end points")
    require(rig, "modes", "servo end points")
    return tuple(_of_mode(name, mode, limits, rig) for name, mode in rig.modes.items())


def _of_mode(name: str, mode: Mode, limits: PitchLimits, rig: Rig) -> ModeEndPoints:
    rows = limits_at_speeds(limits, rig, np.linspace(max(mode.rpm[0], 1.0), mode.rpm[1], SPEEDS_PER_MODE))
    fine_deg, fine_by = _fine_end(mode, floors_of(limits, rig, mode.max_throttle_pct), limits)
    coarse_deg, coarse_by = _coarse_end(mode, rows, limits)
    remark, cap = _remark(rows, limits, mode), mode.max_throttle_pct if mode.powered else 0.0
    widest_deg, _ = _fine_end(mode, LeastPitch(zero_thrust=floors_of(limits, rig).zero_thrust), limits)
    travel = safe_throttle_of(limits, rig, widest_deg) if mode.powered and widest_deg < coarse_deg else None
    if fine_deg >= coarse_deg:
        none = f"no measured pitch is great enough ({fine_by})"
        crossed = f"the least pitch ({fine_by}) is not below the greatest ({coarse_by})"
        why = f"no safe range: {crossed if math.isfinite(fine_deg) else none}"
        return ModeEndPoints(name, mode.rpm, None, None, why, cap, safe_throttle=travel)
    fine = _end_point(fine_deg, fine_by, rig, coarser_is_safe=True)
    coarse = _end_point(coarse_deg, coarse_by, rig, coarser_is_safe=False)
    beyond = _beyond_cap(fine_deg, coarse_deg, _fine_end(mode, floors_of(limits, rig), limits)[0])
    return ModeEndPoints(name, mode.rpm, fine, coarse, remark, cap, beyond, travel)


def _beyond_cap(fine_deg: float, coarse_deg: float, full_deg: float) -> str:
    """What full throttle travel would leave of a range; ``full_deg`` is its least pitch then."""
    if full_deg >= coarse_deg:
        return "with full throttle travel there is no safe range"
    return f"with full throttle travel the least pitch is {full_deg:.1f} deg" if full_deg > fine_deg else ""


def _fine_end(mode: Mode, floor: LeastPitch, limits: PitchLimits) -> tuple[float, str]:
    ends = [(mode.min_pitch_deg, "rig")]
    if mode.powered or mode.forbid_reverse:
        ends.append((limits.pitch_range_deg[0], "measured range"))
    if mode.powered and floor.overspeed[1] is not None:
        ends.append((floor.overspeed[1], "overspeed with a failed governor"))
    if mode.forbid_reverse and floor.zero_thrust[1] is not None:
        ends.append((floor.zero_thrust[1], "zero thrust"))
    return max(ends, key=lambda end: end[0])


def _coarse_end(mode: Mode, rows: Sequence[SpeedLimits], limits: PitchLimits) -> tuple[float, str]:
    ends = [(mode.max_pitch_deg, "rig")]
    if mode.powered:
        ends.append((limits.pitch_range_deg[1], "measured range"))
        for row in rows:
            if row.max_pitch_deg_95 is not None:
                ends.append((row.max_pitch_deg_95, f"{row.binding_95} at {row.rpm:.0f} rpm"))
    return min(ends, key=lambda end: end[0])


def _remark(rows: Sequence[SpeedLimits], limits: PitchLimits, mode: Mode) -> str:
    if not mode.powered:
        return ""
    remarks = []
    if any(row.extrapolated for row in rows):
        low, high = limits.rpm_range
        remarks.append(f"holds cover {low:.0f}-{high:.0f} rpm only")
    if mode.max_pitch_deg > limits.pitch_range_deg[1] or mode.min_pitch_deg < limits.pitch_range_deg[0]:
        low, high = limits.pitch_range_deg
        remarks.append(f"pitch was measured from {low:.1f} to {high:.1f} deg only")
    remarks += [text for text in limits.not_evaluated if text.startswith("least pitch")]
    return "; ".join(remarks)


def _end_point(pitch_deg: float, set_by: str, rig: Rig, coarser_is_safe: bool) -> EndPoint:
    """Pulse and travel (on the transmitter's own scale) for a pitch, both rounded towards the permitted side."""
    table, scale = require(rig, "pitch.table", "servo end points"), rig.transmitter
    pulse = servo_pulse_us(pitch_deg, table)
    rises = table[-1][1] > table[0][1]
    up = coarser_is_safe == rises  # whether rounding up the pulse goes to the permitted side
    servo_us = math.ceil(pulse - 1e-9) if up else math.floor(pulse + 1e-9)
    travel = (servo_us - scale.middle_us) / scale.full_travel_us * 100.0
    travel_pct = math.ceil(travel - 1e-9) if up else math.floor(travel + 1e-9)
    return EndPoint(float(pitch_deg), int(servo_us), int(travel_pct), set_by)


def servo_pulse_us(pitch_deg: float, table: Sequence[Sequence[float]]) -> float:
    """Servo pulse in us for a blade angle, straight between the rows of ``pitch.table``.

    AnalysisError when the angle lies outside the table or the table's angles do not run one way.
    """
    pulses, angles = np.array(table, dtype=float).T
    if angles[0] > angles[-1]:
        pulses, angles = pulses[::-1], angles[::-1]
    if (np.diff(angles) <= 0).any():
        raise AnalysisError("pitch.table: the angles rise and fall; a pulse for a pitch cannot be told")
    if not angles[0] <= pitch_deg <= angles[-1]:
        span = f"{angles[0]:.1f} to {angles[-1]:.1f} deg"
        raise AnalysisError(f"pitch {pitch_deg:.1f} deg lies outside pitch.table ({span})")
    return float(np.interp(pitch_deg, angles, pulses))


def servo_travel(modes: Sequence[ModeEndPoints], name: str) -> tuple[int, int]:
    """Least and greatest servo pulse in us of one mode; AnalysisError when there is no such mode or no safe range."""
    for mode in modes:
        if mode.mode == name:
            if mode.fine is None or mode.coarse is None:
                raise AnalysisError(f"mode {name}: {mode.remark}")
            low, high = sorted((mode.fine.servo_us, mode.coarse.servo_us))
            return low, high
    raise AnalysisError(f"the rig has no mode {name}; it has {', '.join(mode.mode for mode in modes) or 'none'}")
