"""How fine the blades may stand: before a failed governor passes the overspeed limit, and before thrust reverses."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.pitch_limits.constraint import CONFIDENCE
from whirlbench.analysis.pitch_limits.pack_line import PackLine
from whirlbench.analysis.propeller import CoefficientFit, PropellerMap
from whirlbench.analysis.shaft_power import drive_of
from whirlbench.physics import coefficients, drive
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm

FULL_CELL_V = 4.2  # common practice, no source: the pack when a governor failure would be worst

Floor = tuple[float | None, float | None]  # best, 95 % safe; None: not bound; infinite: no measured pitch is enough


@dataclass(frozen=True)
class LeastPitch:
    """Least pitch in degrees by either rule, best and 95 % safe.

    None where the rule does not bind in the measured range, infinite where no measured pitch satisfies it.
    """

    overspeed: Floor = (None, None)
    zero_thrust: Floor = (None, None)

    def greatest(self, index: int) -> float | None:
        """The stricter rule: index 0 best, 1 safe."""
        known = [pair[index] for pair in (self.overspeed, self.zero_thrust) if pair[index] is not None]
        return max(known) if known else None  # type: ignore[type-var]


def least_pitch(
    propeller: PropellerMap, pack: PackLine | None, rig: Rig, pitches: np.ndarray, throttle_pct: float = 100.0
) -> LeastPitch:
    """Least permitted pitch within ``pitches`` ``(n,)`` in degrees, rule by rule: a mode may waive one or the other.

    ``throttle_pct``: how far the throttle can open when the governor fails. ``floor_complaints`` tells when the
    overspeed rule cannot be evaluated.
    """
    return LeastPitch(
        _overspeed(rig, propeller, pitches, pack, throttle_pct / 100.0), _zero_thrust(rig, propeller, pitches)
    )


@dataclass(frozen=True)
class SafeThrottle:
    """Greatest throttle travel in % with which a full pack cannot turn the propeller past the overspeed limit.

    Best estimate, and that with 95 % confidence (one-sided): 100 where not even a full travel can. ``from_deg`` is the
    least pitch for which it holds.
    """

    from_deg: float
    best_pct: float
    safe_pct: float


def safe_throttle(propeller: PropellerMap, pack: PackLine | None, rig: Rig, pitches: np.ndarray) -> SafeThrottle | None:
    """The greatest safe travel over ``pitches`` ``(n,)`` in degrees, rising; None where that rule cannot be evaluated.

    The inverse of the least pitch: with exactly that travel the first of ``pitches`` is the least permitted.
    """
    constants = drive_of(rig, pack.resistance_ohm if pack else None)
    limit_rpm = rig.limits.overspeed_rpm
    if limit_rpm is None or constants is None or propeller.cp is None or pack is None or not len(pitches):
        return None
    coefficient = np.array([curve.min() for curve in _bounds(propeller.cp, pitches, limit_rpm, rig.pitch.stderr_deg)])
    per_unit = float(coefficients.torque_n_m(1.0, limit_rpm, propeller.diameter_m, propeller.density_kg_m3))
    speed = np.full(2, rad_s_from_rpm(limit_rpm))
    torque = np.maximum(coefficient, 0.0) * per_unit  # no propeller drives the motor at rest
    duty = drive.state_for_torque(constants, torque, speed, _worst_open_v(pack, rig)).duty
    best, safe = (100.0 * value if math.isfinite(value) else 100.0 for value in map(float, duty))
    return SafeThrottle(float(pitches[0]), best, safe)


def _worst_open_v(pack: PackLine, rig: Rig) -> float:
    """Open voltage when a failure would be worst: that of a full pack, or what was measured if it is more."""
    return max(pack.open_voltage_v, FULL_CELL_V * (rig.pack.cells or 0))


def floor_complaints(rig: Rig, propeller: PropellerMap, pack: PackLine | None) -> Iterator[str]:
    """What keeps "overspeed with a failed governor" from being evaluated, one plain line, or nothing."""
    if rig.limits.overspeed_rpm is None:
        return
    if drive_of(rig) is None:
        yield "least pitch before a failed governor passes overspeed_rpm: motor constants missing"
    elif propeller.cp is None or pack is None:
        yield "least pitch before a failed governor passes overspeed_rpm: current and voltage were not recorded"


def _overspeed(rig: Rig, propeller: PropellerMap, pitches: np.ndarray, pack: PackLine | None, duty: float) -> Floor:
    """Pitch below which an open throttle on a full pack would pass the overspeed limit."""
    constants = drive_of(rig, pack.resistance_ohm if pack else None)
    limit_rpm = rig.limits.overspeed_rpm
    if limit_rpm is None or constants is None or propeller.cp is None or pack is None:
        return None, None
    open_v, speed = _worst_open_v(pack, rig), np.asarray(rad_s_from_rpm(limit_rpm))
    current = drive.motor_current_a(constants, np.asarray(duty), open_v, speed)
    torque = float(drive.drive_torque_n_m(constants, current))
    if torque <= 0.0:
        return None, None  # not even an unloaded motor reaches the limit
    needed = torque / float(coefficients.torque_n_m(1.0, limit_rpm, propeller.diameter_m, propeller.density_kg_m3))
    return _floor(propeller.cp, pitches, limit_rpm, needed, rig.pitch.stderr_deg)


def _zero_thrust(rig: Rig, propeller: PropellerMap, pitches: np.ndarray) -> Floor:
    """Pitch of zero thrust, within the measured range."""
    if propeller.ct is None:
        return None, None
    return _floor(propeller.ct, pitches, propeller.ct.reference_rpm, 0.0, rig.pitch.stderr_deg)


def _floor(fit: CoefficientFit, pitches: np.ndarray, rpm: float, needed: float, play_deg: float) -> Floor:
    """Pitch from which a coefficient reaches ``needed``: by its best value, and by its one-sided 95 % lower bound."""
    best, lower = _bounds(fit, pitches, rpm, play_deg)
    return _first_at_least(pitches, best, needed), _first_at_least(pitches, lower, needed)


def _bounds(fit: CoefficientFit, pitches: np.ndarray, rpm: float, play_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """A coefficient over ``pitches``: its best value and its one-sided 95 % lower bound."""
    estimate = fit.at(pitches, np.asarray(rpm))
    slope = np.gradient(estimate.value, pitches) if len(pitches) > 1 else np.zeros(1)
    error = np.hypot(estimate.stderr, slope * play_deg)
    return estimate.value, estimate.value - fit.quantile(CONFIDENCE) * error


def _first_at_least(pitches: np.ndarray, values: np.ndarray, needed: float) -> float | None:
    """Pitch from which ``values`` stay at or above ``needed``; None when they do everywhere, infinite when nowhere."""
    short = np.flatnonzero(values < needed)
    if not len(short):
        return None
    return math.inf if short[-1] == len(pitches) - 1 else between(pitches, values, int(short[-1]), needed)


def finite_or_none(pitch_deg: float | None) -> float | None:
    """The pitch, or None for one that no measured pitch reaches."""
    return pitch_deg if pitch_deg is not None and math.isfinite(pitch_deg) else None


def between(pitches: np.ndarray, values: np.ndarray, index: int, level: float) -> float:
    """Pitch at which a straight line from grid point ``index`` to the next meets ``level``."""
    low, high = values[index], values[index + 1]
    share = (level - low) / (high - low) if np.isfinite(high) and high != low else 0.0
    return float(pitches[index] + share * (pitches[index + 1] - pitches[index]))
