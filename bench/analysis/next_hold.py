"""What to measure next: the hold that would shrink the uncertainty of the pitch limits most, within safe margins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.analysis.constraint import Constraint
from bench.analysis.constraints import throttle_need
from bench.analysis.holds import Hold
from bench.analysis.pitch_limits import PITCH_STEP_DEG, PitchLimits, SpeedLimits
from bench.analysis.propeller_map import CoefficientFit
from bench.errors import AnalysisError
from bench.rig.description import Rig

PITCH_GRID_DEG = 0.5
HOLD_S = 10.0
BEYOND_DEG = 1.0  # how far past the measured pitches a proposal may reach, one small step at a time
SPEEDS = 9


@dataclass(frozen=True)
class NextHold:
    """A proposed hold and what it promises: standard error of the limits, in degrees, before and after it."""

    rpm: float
    pitch_deg: float
    stderr_before_deg: float
    stderr_after_deg: float


def propose_hold(limits: PitchLimits) -> NextHold | None:
    """The best hold on a grid of speeds and pitches in which no 95 % upper bound passes 90 % of its limit.

    The measure is the root mean square over the limits' own places of d(pitch) = se(quantity) / slope, and the gain
    comes from the curve's covariance with one more point of typical error (conditioning of a Gaussian
    process, as in ``kriging``). None when no limit binds or no candidate is safe.
    """
    targets = [row for row in limits.limits if row.binding is not None]
    if not targets:
        return None
    before = _limit_error(limits, targets, None)
    best: NextHold | None = None
    for rpm, pitch in _safe_candidates(limits):
        after = _limit_error(limits, targets, (rpm, pitch))
        if best is None or after < best.stderr_after_deg:
            best = NextHold(rpm, pitch, before, after)
    return best


def _safe_candidates(limits: PitchLimits) -> list[tuple[float, float]]:
    low, high = limits.pitch_range_deg
    pitches = np.arange(low - BEYOND_DEG, high + BEYOND_DEG + 1e-9, PITCH_GRID_DEG)
    found = []
    for rpm in np.linspace(*limits.rpm_range, SPEEDS):
        safe = np.ones(len(pitches), dtype=bool)
        for constraint in limits.constraints:
            _, upper = constraint.bounds(pitches, float(rpm))
            safe &= upper <= 0.9 * constraint.limit
        found += [(float(rpm), float(pitch)) for pitch in pitches[safe]]
    return found


def _limit_error(limits: PitchLimits, rows: Sequence[SpeedLimits], added: tuple[float, float] | None) -> float:
    """Root mean square error in degrees of the binding limits, with a further hold at ``added`` (rpm, pitch)."""
    by_name = {constraint.name: constraint for constraint in limits.constraints}
    errors = [_error_at(by_name[row.binding], row, added) for row in rows if row.binding]
    return float(np.sqrt(np.mean(np.square(errors))))


def _error_at(constraint: Constraint, row: SpeedLimits, added: tuple[float, float] | None) -> float:
    """Standard error of one limit in degrees: error of the coefficient there over its slope."""
    fit = constraint.fit
    if fit is None or row.max_pitch_deg is None:
        return 0.0
    place = np.array([row.max_pitch_deg - PITCH_STEP_DEG, row.max_pitch_deg, row.max_pitch_deg + PITCH_STEP_DEG])
    slope = float(np.diff(fit.at(place[[0, 2]], np.asarray(row.rpm)).value)[0]) / (2 * PITCH_STEP_DEG)
    here = (row.max_pitch_deg, row.rpm)
    variance = fit.covariance(here, here)
    if added is not None:
        variance -= _gain(fit, here, (added[1], added[0]))
    return float(np.sqrt(max(variance, 0.0)) / max(abs(slope), 1e-9))


def _gain(fit: CoefficientFit, here: tuple[float, float], point: tuple[float, float]) -> float:
    """By how much a further hold at ``point`` of typical error lowers the variance ``here`` (rank-one update)."""
    return fit.covariance(here, point) ** 2 / (fit.covariance(point, point) + fit.point_stderr**2)


def next_hold_plan(proposal: NextHold, speed_key: str, warm_up_key: str) -> str:
    """The proposed hold as plan text (TOML) that ``spin`` runs: warm-up, hold, coast-down.

    ``speed_key`` and ``warm_up_key`` are the plan's key and value that bring about the speed, see ``speed_keys``.
    """
    return f"""\
# Proposed to narrow the pitch limits: {proposal.rpm:.0f} rpm at {proposal.pitch_deg:.1f} deg.
# Standard error of the limits: {proposal.stderr_before_deg:.2f} deg now, {proposal.stderr_after_deg:.2f} deg expected.
name = "next hold"
stop_above_margin_pct = 95

[[step]]
kind = "hold"
name = "warm-up"
{warm_up_key}
pitch_deg = {proposal.pitch_deg:.1f}
duration_s = 5

[[step]]
kind = "hold"
name = "measure"
{speed_key}
duration_s = {HOLD_S:g}

[[step]]
kind = "coast-down"
"""


def speed_keys(limits: PitchLimits, rig: Rig, holds: Sequence[Hold], proposal: NextHold) -> tuple[str, str]:
    """Plan keys for the speed and for six tenths of it: a request where something governs, else a throttle.

    AnalysisError when nothing governs and the rig lacks the motor constants that tell the throttle.
    """
    speeds = (proposal.rpm, 0.6 * proposal.rpm)
    if rig.speed_controller.governs or rig.governor.mode == "throttle":
        first, second = (f"request_rpm = {rpm:.0f}" for rpm in speeds)
        return first, second
    cp, pack = limits.propeller.cp, limits.pack
    if cp is None or pack is None:
        raise AnalysisError("the throttle for the next hold cannot be told: current and voltage were not recorded")
    need, _ = throttle_need(rig, limits.propeller, pack, holds)
    pitch = np.array([proposal.pitch_deg])
    shares = [float(np.clip(need(pitch, cp.at(pitch, np.asarray(rpm)).value, rpm), 0.0, 100.0)[0]) for rpm in speeds]
    return f"throttle_pct = {shares[0]:.0f}", f"throttle_pct = {shares[1]:.0f}"
