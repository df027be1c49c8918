"""Charts of pitch limits as plain data: what is safe at each speed and what binds, and the coefficients behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from whirlbench.analysis.pitch_limits import (
    LimitsStudy,
    NextHold,
    PitchLimits,
    SpeedLimits,
    finite_or_none,
    floors_of,
    limits_at_speeds,
)
from whirlbench.analysis.propeller import CoefficientFit, Hold
from whirlbench.results.answer import NotJudged
from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, MarkLine, Stretch
from whirlbench.results.figures.throttle_travel import FULL_TRAVEL_PCT, travel_words
from whirlbench.results.labels import label, spoken
from whirlbench.rig.description import Rig

SPEEDS = 31
PITCHES = 121
FORBIDDEN = {"limit": "do not hold this speed", "overspeed": "no pitch is permitted with {travel}"}
TITLES = {"CT": "Thrust coefficient", "CP": "Power coefficient"}


def curve_rows(study: LimitsStudy) -> tuple[SpeedLimits, ...]:
    """The limits along the chart's curve: the measured speeds, and on to the end of the fastest mode."""
    speeds = np.linspace(*_speed_span(study.limits, study.rig), SPEEDS)
    return limits_at_speeds(study.limits, study.rig, speeds)


def limits_chart(study: LimitsStudy, rows: Sequence[SpeedLimits], proposal: NextHold | None) -> Chart:
    """Pitch against speed: safe field, best limit, what binds, modes, holds, the next hold, a second set's safe limit.

    Speeds at which no pitch is permitted carry no curve: they are tinted and named.
    """
    limits, rig = study.limits, study.rig
    speeds = np.array([row.rpm for row in rows])
    low, high = limits.pitch_range_deg
    best, safe = _greatest(rows, high)
    floor = np.array([low if row.min_pitch_deg_95 is None else max(low, row.min_pitch_deg_95) for row in rows])
    curves = [
        Curve(speeds, best, "best estimate of the limit", "over"),
        Curve(speeds, safe, _safe_words(limits), "calm"),
        _hold_dots(study.survey.holds),
    ]
    if study.second is not None:
        _, other = _greatest(limits_at_speeds(study.second, rig, speeds), study.second.pitch_range_deg[1])
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
            *_floor_lines(limits, rig, rows),
        ),
        stretches=(*(Stretch(*band, "over", "avoid") for band in limits.avoid_rpm), *_forbidden(speeds, rows)),
        boxes=tuple(
            Box((mode.rpm[0], mode.rpm[1]), (mode.min_pitch_deg, mode.max_pitch_deg), name)
            for name, mode in rig.modes.items()
        ),
        captions=tuple(_bindings(rows)),
        key="limits",
        caption="Green is permitted with 95 % certainty; between there and the red edge it may be too much.",
    )


def forbidden_words(row: SpeedLimits) -> str:
    """What must not be done at a speed that no pitch satisfies; empty for one that has pitches."""
    return FORBIDDEN[row.forbidden_by].format(travel=travel_words(row.throttle_pct)) if row.forbidden else ""


def _safe_words(limits: PitchLimits) -> str:
    unjudged = len(open_limits(limits))
    return "safe with 95 % confidence" + (f", but {unjudged} not judged" if unjudged else "")


def open_limits(limits: PitchLimits) -> tuple[NotJudged, ...]:
    """What was not judged of the greatest and least pitch, and why: limits by name, or all where the rig sets none."""
    parts = (text.partition(": ") for text in limits.not_evaluated)
    lack = "the rig or the recording lacks what it needs"
    found = [NotJudged(spoken(what), spoken(why) or lack) for what, _, why in parts]
    if not limits.constraints:
        found.append(NotJudged("greatest pitch", "the rig sets no limit that a pitch could be held against"))
    return tuple(found)


def _speed_span(limits: PitchLimits, rig: Rig) -> tuple[float, float]:
    return limits.rpm_range[0], max(limits.rpm_range[1], *(mode.rpm[1] for mode in rig.modes.values()), 0.0)


def _greatest(rows: Sequence[SpeedLimits], edge: float) -> tuple[np.ndarray, np.ndarray]:
    """Best and safe limit; the edge of what was measured where nothing binds, NaN where no pitch is permitted."""

    def pitch(row: SpeedLimits, value: float | None) -> float:
        return np.nan if row.forbidden else edge if value is None else value

    best = [pitch(row, row.max_pitch_deg) for row in rows]
    return np.array(best), np.array([pitch(row, row.max_pitch_deg_95) for row in rows])


def _forbidden(speeds: np.ndarray, rows: Sequence[SpeedLimits]) -> Iterator[Stretch]:
    """The speeds at which no pitch is permitted, neighbours together, out to the middle between grid points."""
    half = float(speeds[1] - speeds[0]) / 2.0
    for why, members in groupby(zip(speeds, rows, strict=True), key=lambda pair: forbidden_words(pair[1])):
        rpm = [float(pair[0]) for pair in members]
        if why:
            yield Stretch(max(rpm[0] - half, speeds[0]), min(rpm[-1] + half, speeds[-1]), "over", why)


def _floor_lines(limits: PitchLimits, rig: Rig, rows: Sequence[SpeedLimits]) -> Iterator[MarkLine]:
    """What forbids less pitch, 95 % safe, with the throttle as open as modes let it; they may waive either rule."""
    for travel_pct in sorted({row.throttle_pct for row in rows}, reverse=True):
        overspeed_deg = finite_or_none(floors_of(limits, rig, travel_pct).overspeed[1])
        if overspeed_deg is not None:
            text = "below: overspeed if the governor fails wide open"
            text += "" if travel_pct >= FULL_TRAVEL_PCT else f", {travel_words(travel_pct)}"
            yield MarkLine(overspeed_deg, text, "close", upright=False, under=True)
    no_thrust_deg = finite_or_none(floors_of(limits, rig).zero_thrust[1])
    if no_thrust_deg is not None:
        yield MarkLine(no_thrust_deg, "below: no thrust", "close", upright=False, under=True)


def _hold_dots(holds: Sequence[Hold]) -> Curve:
    rpm, pitch = (np.array([getattr(hold, name).mean for hold in holds]) for name in ("rpm", "pitch_deg"))
    return Curve(rpm, pitch, "settled holds", "ink", dots=True)


def _bindings(rows: Sequence[SpeedLimits]) -> Iterator[Caption]:
    """The name of what binds, once in the middle of each stretch on which it does."""
    stretches: list[list[SpeedLimits]] = []
    for row in rows:
        if row.binding_95 is None or row.forbidden:
            continue
        if stretches and stretches[-1][0].binding_95 == row.binding_95:
            stretches[-1].append(row)
        else:
            stretches.append([row])
    for members in stretches:
        middle = members[len(members) // 2]
        assert middle.binding_95 is not None and middle.max_pitch_deg_95 is not None
        yield Caption(middle.rpm, middle.max_pitch_deg_95, f"{label(middle.binding_95)} binds", "over")


def coefficient_charts(limits: PitchLimits) -> Iterator[Chart]:
    """CT and CP, as far as both were measured."""
    points = limits.propeller.points
    for fit, estimate in ((limits.propeller.ct, points.ct), (limits.propeller.cp, points.cp)):
        if fit is not None:
            yield _coefficient_chart(fit, (points.pitch_deg, estimate.value))


def _coefficient_chart(fit: CoefficientFit, points: tuple[np.ndarray, np.ndarray]) -> Chart:
    """The fitted curve with its 95 % band at the reference speed, over the measured points."""
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
        key=fit.name,
        caption="The limits rest on this fit; beyond the measured angles nothing is claimed.",
    )
