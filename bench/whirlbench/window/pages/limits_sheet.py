"""Charts of pitch limits as plain data: what is safe at each speed and what binds, and the coefficients behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from whirlbench.analysis.pitch_limits import (
    NextHold,
    PitchLimits,
    SpeedLimits,
    finite_or_none,
    floors_of,
    limits_at_speeds,
)
from whirlbench.analysis.propeller import CoefficientFit, Hold
from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, MarkLine, Stretch
from whirlbench.rig.description import Rig

SPEEDS = 31
PITCHES = 121
TITLES = {"CT": "Thrust coefficient", "CP": "Power coefficient"}


def limits_sheet(
    limits: PitchLimits, rig: Rig, holds: Sequence[Hold], proposal: NextHold | None, second: PitchLimits | None = None
) -> Chart:
    """Pitch against speed: safe field, best limit, what binds, modes, holds, the next hold, and a second set's safe
    limit."""
    speeds = np.linspace(*_speed_span(limits, rig), SPEEDS)
    rows = limits_at_speeds(limits, rig, speeds)
    low, high = limits.pitch_range_deg
    best, safe = _coarsest(rows, high)
    floor = np.full(SPEEDS, _floor(rows, low))
    curves = [
        Curve(speeds, best, "best estimate of the limit", "over"),
        Curve(speeds, safe, "safe with 95 % confidence", "calm"),
        _hold_dots(holds),
    ]
    if second is not None:
        _, other = _coarsest(limits_at_speeds(second, rig, speeds), second.pitch_range_deg[1])
        curves.append(Curve(speeds, other, "second set, 95 % safe", "second", dashed=True))
    if proposal is not None:
        place = (np.array([proposal.rpm]), np.array([proposal.pitch_deg]))
        curves.append(Curve(*place, "measure next", "cursor", dots=True))
    return Chart(
        "Permitted pitch",
        "shaft speed (rpm)",
        "blade angle (deg)",
        curves=tuple(curves),
        bands=(Band(speeds, np.minimum(floor, safe), safe, "calm"), Band(speeds, safe, best, "over")),
        lines=(
            *(MarkLine(edge, "edge of the measured pitches", "faint", upright=False) for edge in (low, high)),
            *_floor_rules(limits, rig),
        ),
        stretches=tuple(Stretch(*band, "over", "avoid") for band in limits.avoid_rpm),
        boxes=tuple(
            Box((mode.rpm[0], mode.rpm[1]), (mode.min_pitch_deg, mode.max_pitch_deg), name)
            for name, mode in rig.modes.items()
        ),
        captions=tuple(_bindings(rows)),
    )


def _speed_span(limits: PitchLimits, rig: Rig) -> tuple[float, float]:
    return limits.rpm_range[0], max(limits.rpm_range[1], *(mode.rpm[1] for mode in rig.modes.values()), 0.0)


def _coarsest(rows: Sequence[SpeedLimits], edge: float) -> tuple[np.ndarray, np.ndarray]:
    """Best and safe limit; where nothing binds, the edge of what was measured."""
    best = [edge if row.max_pitch_deg is None else row.max_pitch_deg for row in rows]
    safe = [edge if row.max_pitch_deg_95 is None else row.max_pitch_deg_95 for row in rows]
    return np.array(best), np.array(safe)


def _floor(rows: Sequence[SpeedLimits], edge: float) -> float:
    return max([edge, *(row.min_pitch_deg_95 for row in rows if row.min_pitch_deg_95 is not None)])


def _floor_rules(limits: PitchLimits, rig: Rig) -> Iterator[MarkLine]:
    """What forbids finer pitch, 95 % safe, with the throttle fully open; modes may waive the one or the other."""
    least = floors_of(limits, rig)
    overspeed_deg, no_thrust_deg = (finite_or_none(pair[1]) for pair in (least.overspeed, least.zero_thrust))
    if overspeed_deg is not None:
        yield MarkLine(overspeed_deg, "finer: overspeed if the governor fails open", "close", upright=False, under=True)
    if no_thrust_deg is not None:
        yield MarkLine(no_thrust_deg, "finer: no thrust", "close", upright=False, under=True)


def _hold_dots(holds: Sequence[Hold]) -> Curve:
    rpm, pitch = (np.array([getattr(hold, name).mean for hold in holds]) for name in ("rpm", "pitch_deg"))
    return Curve(rpm, pitch, "settled holds", "ink", dots=True)


def _bindings(rows: Sequence[SpeedLimits]) -> Iterator[Caption]:
    """The name of what binds, once in the middle of each stretch on which it does."""
    stretches: list[list[SpeedLimits]] = []
    for row in rows:
        if row.binding_95 is None:
            continue
        if stretches and stretches[-1][0].binding_95 == row.binding_95:
            stretches[-1].append(row)
        else:
            stretches.append([row])
    for members in stretches:
        middle = members[len(members) // 2]
        assert middle.binding_95 is not None and middle.max_pitch_deg_95 is not None
        yield Caption(middle.rpm, middle.max_pitch_deg_95, f"{middle.binding_95} binds", "over")


def coefficient_sheet(fit: CoefficientFit, points: tuple[np.ndarray, np.ndarray]) -> Chart:
    """The fitted curve with its 95 % band at the reference speed, over the measured ``points`` (pitch in degrees,
    value)."""
    pitch = np.linspace(*fit.pitch_range_deg, PITCHES)
    estimate = fit.at(pitch, np.asarray(fit.reference_rpm))
    half = fit.quantile(0.975) * estimate.stderr
    kink = () if fit.kink_deg is None else (MarkLine(fit.kink_deg, "kink: stall begins", "close"),)
    return Chart(
        f"{TITLES[fit.name]}, curve at {fit.reference_rpm:.0f} rpm",
        "blade angle (deg)",
        fit.name,
        curves=(
            Curve(points[0], points[1], "holds", "measured", dots=True),
            Curve(pitch, estimate.value, "fit", "model"),
        ),
        bands=(Band(pitch, estimate.value - half, estimate.value + half, "model", "95 %"),),
        lines=kink,
    )
