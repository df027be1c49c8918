"""What to measure next: the hold that would shrink the uncertainty of the pitch limits most, within safe margins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.pitch_limits.limits import PITCH_STEP_DEG, PitchLimits
from whirlbench.analysis.pitch_limits.rig_constraints import throttle_need
from whirlbench.analysis.propeller import CoefficientFit, Hold
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig, pitch_ends_deg, takes_requests

PITCH_GRID_DEG = 0.5
HOLD_S = 10.0
BEYOND_DEG = 1.0  # how far past the measured pitches a proposal may reach, one small step at a time
SPEEDS = 9
ROUNDED_DEG = 0.05  # the plan gives pitches to a tenth of a degree


@dataclass(frozen=True)
class NextHold:
    """A proposed hold and what it promises: standard error of the limits, in degrees, before and after it."""

    rpm: float
    pitch_deg: float
    stderr_before_deg: float
    stderr_after_deg: float


def propose_hold(limits: PitchLimits, rig: Rig) -> NextHold | None:
    """The best hold on a grid of speeds and pitches in which no 95 % upper bound passes 90 % of its limit.

    Pitches keep within the servo's end points of ``rig``, speeds below its overspeed limit: no other plan is run.

    The measure is the root mean square over the limits' own places of d(pitch) = se(quantity) / slope, and the gain
    comes from the curve's covariance with one more point of typical error (conditioning of a Gaussian
    process, as in ``kriging``). None when no limit binds or no candidate is safe.
    """
    places = _binding_places(limits)
    candidates = _safe_candidates(limits, rig)
    if not any(place.fit is not None for place in places) or not len(candidates):
        return None
    before = np.array([place.variance_deg2 for place in places])
    after = np.stack([place.variance_after_deg2(candidates) for place in places])
    error = np.sqrt(after.mean(axis=0))
    best = int(np.argmin(error))
    rpm, pitch = candidates[best]
    return NextHold(float(rpm), float(pitch), float(np.sqrt(before.mean())), float(error[best]))


def _safe_candidates(limits: PitchLimits, rig: Rig) -> np.ndarray:
    """Points ``(n, 2)`` of (rpm, pitch) that are safe to hold."""
    low, high = limits.pitch_range_deg
    least, greatest = pitch_ends_deg(rig)
    pitches = np.arange(low - BEYOND_DEG, high + BEYOND_DEG + 1e-9, PITCH_GRID_DEG)
    pitches = pitches[(pitches >= least + ROUNDED_DEG) & (pitches <= greatest - ROUNDED_DEG)]
    found = []
    for rpm in np.linspace(*limits.rpm_range, SPEEDS):
        safe = np.ones(len(pitches), dtype=bool)
        for constraint in limits.constraints:
            _, upper = constraint.bounds(pitches, float(rpm))
            safe &= upper <= 0.9 * constraint.limit
        found += [(float(rpm), float(pitch)) for pitch in pitches[safe]]
    return np.array(found).reshape(-1, 2)


@dataclass(frozen=True)
class _Place:
    """Where a limit binds, and how well it is known there; ``fit`` is None where no coefficient is behind it."""

    fit: CoefficientFit | None
    point: np.ndarray  # (1, 2): rpm, pitch
    slope_per_deg: float

    @property
    def variance_deg2(self) -> float:
        """Variance of the limit in square degrees: that of the coefficient over its squared slope."""
        if self.fit is None:
            return 0.0
        return float(self.fit.covariance(self.point, self.point)[0, 0]) / self.slope_per_deg**2

    def variance_after_deg2(self, candidates: np.ndarray) -> np.ndarray:
        """The same after one further hold of typical error at each candidate, ``(n,)`` (rank-one updates)."""
        if self.fit is None:
            return np.zeros(len(candidates))
        shared = self.fit.covariance(self.point, candidates)[0]
        gain = shared**2 / (self.fit.variance(candidates) + self.fit.point_stderr**2)
        result: np.ndarray = np.maximum(self.variance_deg2 - gain / self.slope_per_deg**2, 0.0)
        return result


def _binding_places(limits: PitchLimits) -> list[_Place]:
    by_name = {constraint.name: constraint for constraint in limits.constraints}
    return [
        _place(by_name[row.binding].fit, row.rpm, row.max_pitch_deg)
        for row in limits.limits
        if row.binding and row.max_pitch_deg is not None
    ]


def _place(fit: CoefficientFit | None, rpm: float, pitch_deg: float) -> _Place:
    point = np.array([[rpm, pitch_deg]])
    if fit is None:
        return _Place(None, point, 1.0)
    around = fit.at(pitch_deg + PITCH_STEP_DEG * np.array([-1.0, 1.0]), np.asarray(rpm)).value
    return _Place(fit, point, max(abs(float(around[1] - around[0])) / (2 * PITCH_STEP_DEG), 1e-9))


def next_hold_plan(proposal: NextHold, rig: Rig, speed_key: str, warm_up_key: str) -> str:
    """The proposed hold as plan text (TOML) that ``spin`` runs: warm-up, hold, coast-down.

    A governor that moves the pitch is passed through: this plan holds a pitch.

    ``speed_key`` and ``warm_up_key`` are the plan's key and value that bring about the speed, see ``speed_keys``.
    """
    governor = '\ngovernor = "off"' if rig.governor.mode == "pitch" else ""
    return f"""\
# Proposed to narrow the pitch limits: {proposal.rpm:.0f} rpm at {proposal.pitch_deg:.1f} deg.
# Standard error of the limits: {proposal.stderr_before_deg:.2f} deg now, {proposal.stderr_after_deg:.2f} deg expected.
name = "next hold"{governor}
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
    if takes_requests(rig) and rig.governor.mode != "pitch":
        first, second = (f"request_rpm = {rpm:.0f}" for rpm in speeds)
        return first, second
    cp, pack = limits.propeller.cp, limits.pack
    if cp is None or pack is None:
        raise AnalysisError("the throttle for the next hold cannot be told: current and voltage were not recorded")
    need, _ = throttle_need(rig, limits.propeller, pack, holds)
    pitch = np.array([proposal.pitch_deg])
    shares = [float(np.clip(need(pitch, cp.at(pitch, np.asarray(rpm)).value, rpm), 0.0, 100.0)[0]) for rpm in speeds]
    return f"throttle_pct = {shares[0]:.0f}", f"throttle_pct = {shares[1]:.0f}"
