"""Pitch-versus-rpm limits: how coarse and how fine the blades may stand at each speed, and what forbids more.

Each limit of the rig becomes a constraint on a quantity that follows from CT or CP. At a given speed the greatest
pitch is where the first constraint is met; the 95 % safe pitch is where the constraint's one-sided 95 % upper bound
is met. Nothing outside the measured pitch range is given as a limit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whirlbench.analysis.pitch_limits.constraint import Constraint
from whirlbench.analysis.pitch_limits.least_pitch import (
    LeastPitch,
    SafeThrottle,
    between,
    finite_or_none,
    floor_complaints,
    least_pitch,
    safe_throttle,
)
from whirlbench.analysis.pitch_limits.pack_line import PackLine, fit_pack
from whirlbench.analysis.pitch_limits.rig_constraints import constraints_of
from whirlbench.analysis.propeller import CoefficientFit, Hold, PropellerMap, fit_map
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig

PITCH_STEP_DEG = 0.1
FULL_TRAVEL_PCT = 100.0


@dataclass(frozen=True)
class SpeedLimits:
    """The pitch range at one speed; None where nothing binds within the measured pitches.

    ``over_everywhere`` says that the binding constraint is exceeded already at the least measured pitch: then
    ``max_pitch_deg`` is that pitch and this speed must not be held at all. ``too_fine_everywhere``: even the greatest
    measured pitch would not hold an open throttle below overspeed; ``min_pitch_deg`` is then None.
    ``nothing_permitted``: no pitch lies between least and greatest, 95 % safe. ``extrapolated``: no hold was made
    near this speed. ``throttle_pct``: how far the throttle may open in a failure for all this to hold.
    """

    rpm: float
    max_pitch_deg: float | None
    max_pitch_deg_95: float | None
    min_pitch_deg: float | None
    min_pitch_deg_95: float | None
    binding: str | None
    binding_95: str | None
    over_everywhere: bool = False
    too_fine_everywhere: bool = False
    nothing_permitted: bool = False
    extrapolated: bool = False
    values: dict[str, float | None] = field(default_factory=dict)  # each constraint's own greatest pitch, 95 % safe
    throttle_pct: float = FULL_TRAVEL_PCT

    @property
    def forbidden(self) -> bool:
        """Whether no pitch satisfies every rule with that throttle travel: then none of the pitches may be used."""
        return bool(self.forbidden_by)

    @property
    def forbidden_by(self) -> str:
        """What forbids every pitch: "limit", "overspeed" (of a governor that fails wide open), or nothing."""
        if self.over_everywhere:
            return "limit"
        return "overspeed" if self.too_fine_everywhere or self.nothing_permitted else ""


@dataclass(frozen=True)
class PitchLimits:
    """Limits over a list of speeds, with all that led to them."""

    limits: tuple[SpeedLimits, ...]
    propeller: PropellerMap
    constraints: tuple[Constraint, ...]
    not_evaluated: tuple[str, ...]
    avoid_rpm: tuple[tuple[float, float], ...]
    pitch_range_deg: tuple[float, float]
    rpm_range: tuple[float, float]
    pack: PackLine | None


def pitch_limits(
    holds: Sequence[Hold],
    rig: Rig,
    density_kg_m3: float,
    at_rpm: Sequence[float] | None = None,
) -> PitchLimits:
    """Limits at each of ``at_rpm`` (default: nine speeds over the measured range).

    Limits that the rig does not set are not applied; those that cannot be evaluated are named in ``not_evaluated``
    with what is missing. AnalysisError as in ``fit_map``.
    """
    propeller = fit_map(holds, rig, density_kg_m3)
    pack = _pack_or_none(holds, rig)
    constraints, missing = constraints_of(rig, propeller, pack, holds)
    play_deg = rig.pitch.stderr_deg
    missing = (*missing, *floor_complaints(rig, propeller, pack))
    constraints = tuple(replace(item, pitch_stderr_deg=play_deg) for item in constraints)
    pitches = pitch_grid(propeller)
    rpm_range = _rpm_range(propeller)
    speeds = np.linspace(*rpm_range, 9) if at_rpm is None else np.asarray(at_rpm, dtype=float)
    span = (float(pitches[0]), float(pitches[-1]))
    empty = PitchLimits((), propeller, constraints, missing, avoid_bands(holds, rig), span, rpm_range, pack)
    return replace(empty, limits=limits_at_speeds(empty, rig, speeds))


def limits_at_speeds(
    limits: PitchLimits, rig: Rig, speeds_rpm: np.ndarray, throttle_pct: float | None = None
) -> tuple[SpeedLimits, ...]:
    """The limits that the same data and constraints give at other speeds, ``(n,)`` in rpm.

    ``throttle_pct`` is how far the throttle can open when the governor fails; None: as the rig's modes let it.
    """
    pitches, floors = pitch_grid(limits.propeller), {}
    rows = []
    for rpm in map(float, speeds_rpm):
        cap = throttle_cap_at(rig, rpm) if throttle_pct is None else throttle_pct
        if cap not in floors:
            floors[cap] = floors_of(limits, rig, cap)
        row = _at_speed(rpm, limits.constraints, pitches, floors[cap], limits.rpm_range)
        rows.append(replace(row, throttle_pct=cap))
    return tuple(rows)


def throttle_cap_at(rig: Rig, rpm: float) -> float:
    """How far the rig's modes let the throttle open at ``rpm``, in percent: the most of any powered mode there."""
    caps = [mode.max_throttle_pct for mode in rig.modes.values() if mode.powered and mode.rpm[0] <= rpm <= mode.rpm[1]]
    return max(caps, default=FULL_TRAVEL_PCT)


def safe_throttle_of(limits: PitchLimits, rig: Rig, pitch_deg: float) -> SafeThrottle | None:
    """Throttle travel that cannot pass overspeed at ``pitch_deg`` or more, from the same data; None: not known."""
    pitches = pitch_grid(limits.propeller)
    return safe_throttle(limits.propeller, limits.pack, rig, pitches[pitches >= pitch_deg - PITCH_STEP_DEG / 2.0])


def _pack_or_none(holds: Sequence[Hold], rig: Rig) -> PackLine | None:
    try:
        return fit_pack(holds, rig)
    except AnalysisError:
        return None


def _fits(propeller: PropellerMap) -> list[CoefficientFit]:
    return [fit for fit in (propeller.ct, propeller.cp) if fit is not None]


def pitch_grid(propeller: PropellerMap) -> np.ndarray:
    """Pitches in degrees over the range in which every coefficient was measured, a tenth of a degree apart."""
    fits = _fits(propeller)
    low, high = max(fit.pitch_range_deg[0] for fit in fits), min(fit.pitch_range_deg[1] for fit in fits)
    return np.linspace(low, high, max(2, math.ceil((high - low) / PITCH_STEP_DEG) + 1))


def floors_of(limits: PitchLimits, rig: Rig, throttle_pct: float = 100.0) -> LeastPitch:
    """Least pitch by each rule, from the same data; ``throttle_pct``: how far the throttle opens in a failure."""
    return least_pitch(limits.propeller, limits.pack, rig, pitch_grid(limits.propeller), throttle_pct)


def _rpm_range(propeller: PropellerMap) -> tuple[float, float]:
    fits = _fits(propeller)
    return min(fit.rpm_range[0] for fit in fits), max(fit.rpm_range[1] for fit in fits)


def _first_over(pitches: np.ndarray, values: np.ndarray, limit: float) -> float | None:
    """Pitch at which ``values`` first pass ``limit``; None when they never do, the first pitch when they always do."""
    over = np.flatnonzero(values > limit)
    if not len(over):
        return None
    if over[0] == 0:
        return float(pitches[0])
    return between(pitches, values, int(over[0]) - 1, limit)


def _crossed(least_deg: float | None, greatest_deg: float | None) -> bool:
    """Whether no pitch lies between the two; an infinite least is above everything."""
    return least_deg is not None and (least_deg == math.inf or (greatest_deg is not None and least_deg > greatest_deg))


def _at_speed(
    rpm: float, constraints: Sequence[Constraint], pitches: np.ndarray, floor: LeastPitch, span: tuple[float, float]
) -> SpeedLimits:
    best: dict[str, float] = {}
    safe: dict[str, float] = {}
    everywhere = False
    for constraint in constraints:
        value, upper = constraint.bounds(pitches, rpm)
        for found, curve in ((best, value), (safe, upper)):
            place = _first_over(pitches, curve, constraint.limit)
            if place is not None:
                found[constraint.name] = place
        everywhere |= bool(value[0] > constraint.limit)
    binding = min(best, key=best.__getitem__, default=None)
    binding_95 = min(safe, key=safe.__getitem__, default=None)
    greatest_95 = safe[binding_95] if binding_95 else None
    least_95 = floor.greatest(1)
    return SpeedLimits(
        rpm=rpm,
        max_pitch_deg=best[binding] if binding else None,
        max_pitch_deg_95=greatest_95,
        min_pitch_deg=finite_or_none(floor.greatest(0)),
        min_pitch_deg_95=finite_or_none(least_95),
        too_fine_everywhere=least_95 == math.inf,
        nothing_permitted=everywhere or _crossed(least_95, greatest_95),
        binding=binding,
        binding_95=binding_95,
        over_everywhere=everywhere,
        extrapolated=not 0.97 * span[0] <= rpm <= 1.03 * span[1],
        values={constraint.name: safe.get(constraint.name) for constraint in constraints},
    )


def avoid_bands(holds: Sequence[Hold], rig: Rig) -> tuple[tuple[float, float], ...]:
    """Bands of rpm in which a hold's vibration came to 80 % of the limit or more, each out to its neighbours' middle.

    Empty without ``limits.vibration_g_rms`` or without vibration. Holds say nothing of speeds between them: a
    resonance that was only swept through is found by order tracking, not here.
    """
    limit = rig.limits.vibration_g_rms
    known = sorted((hold.rpm.mean, hold.vibration_g_rms.mean) for hold in holds)
    known = [pair for pair in known if math.isfinite(pair[1])]
    if limit is None or not known:
        return ()
    speeds = np.array([pair[0] for pair in known])
    edges = np.concatenate((speeds[:1], (speeds[1:] + speeds[:-1]) / 2, speeds[-1:]))
    hot = [vibration >= 0.8 * limit for _, vibration in known]
    bands: list[tuple[float, float]] = []
    for index, is_hot in enumerate(hot):
        if is_hot and bands and bands[-1][1] == edges[index]:
            bands[-1] = (bands[-1][0], float(edges[index + 1]))
        elif is_hot:
            bands.append((float(edges[index]), float(edges[index + 1])))
    return tuple(bands)
