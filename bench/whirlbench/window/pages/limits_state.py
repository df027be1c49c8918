"""What the window shows of pitch limits, as plain data: chart, tables, end points, the hold to measure next. No Qt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits import (
    EndPoint,
    ModeEndPoints,
    NextHold,
    PitchLimits,
    SpeedLimits,
    compare_sets,
    limits_at_speeds,
    mode_end_points,
    next_hold_plan,
    pitch_limits,
    propose_hold,
    speed_keys,
)
from whirlbench.analysis.propeller import CoefficientFit, Hold, HoldSurvey, Measured, find_holds
from whirlbench.errors import AnalysisError
from whirlbench.results.chart import Chart
from whirlbench.rig.description import Rig
from whirlbench.samples import Run
from whirlbench.window.pages.limits_sheet import coefficient_sheet, limits_sheet

PURPOSE = "pitch limits"
NONE = "–"
TOLD_REASONS = 3  # of stretches that were no holds: more of them say the same
LIMIT_HEADINGS = ("rpm", "coarsest", "coarsest, 95 % safe", "binds", "finest", "finest, 95 % safe", "remark")
END_HEADINGS = ("mode", "rpm", "finest", "coarsest", "set by", "remark")
HOLD_HEADINGS = ("from – to s", "rpm", "pitch deg", "thrust N", "current A", "voltage V", "power W", "vibration g rms")
CAUTION = "An aid to judgement: stay out of the plane of rotation and approach new limits in stages."


PENDING = "working out what to measure next …"


@dataclass(frozen=True)
class LimitsStudy:
    """Holds, and the limits that follow from them for a rig; ``second`` are those of a second blade set."""

    rig: Rig
    survey: HoldSurvey
    limits: PitchLimits
    second: PitchLimits | None


@dataclass(frozen=True)
class Proposal:
    """The hold to measure next and its plan; without a plan ``remark`` says why."""

    hold: NextHold | None
    remark: str
    plan_text: str = ""


@dataclass(frozen=True)
class LimitsState:
    """Everything to be shown; ``coefficients`` are the charts of CT and CP, as far as both were measured."""

    heading: str
    chart: Chart
    coefficients: tuple[Chart, ...]
    limit_rows: tuple[tuple[str, ...], ...]
    end_rows: tuple[tuple[str, ...], ...]
    hold_rows: tuple[tuple[str, ...], ...]
    remarks: tuple[str, ...]
    proposal: Proposal


def limits_study(runs: Sequence[Run], rig: Rig, beside: Sequence[Run] = ()) -> LimitsStudy:
    """The limits that the holds of ``runs`` give for ``rig``, at nine speeds over the measured range.

    ``beside`` are runs of a second blade set. AnalysisError or RigError says in one line what the recordings or the
    rig lack.
    """
    survey = survey_holds(runs)
    second = _limits(survey_holds(beside), rig) if beside else None
    return LimitsStudy(rig, survey, _limits(survey, rig), second)


def at_speeds(study: LimitsStudy, speeds_rpm: Sequence[float] | None) -> LimitsStudy:
    """The same study with its table at other speeds in rpm; None leaves it as it is."""
    if speeds_rpm is None:
        return study
    rows = limits_at_speeds(study.limits, study.rig, np.asarray(speeds_rpm, dtype=float))
    return replace(study, limits=replace(study.limits, limits=rows))


def limits_state(study: LimitsStudy, proposal: Proposal | None = None) -> LimitsState:
    """``study`` ready to be shown; ``proposal`` None: still being worked out."""
    limits, rig, survey = study.limits, study.rig, study.survey
    modes = mode_end_points(limits, rig) if rig.modes and rig.pitch.table else ()
    proposal = proposal or Proposal(None, PENDING)
    return LimitsState(
        heading=_heading(limits),
        chart=limits_sheet(limits, rig, survey.holds, proposal.hold, study.second),
        coefficients=tuple(coefficient_sheet(fit, points) for fit, points in _fits(limits)),
        limit_rows=tuple(_limit_row(row) for row in limits.limits),
        end_rows=tuple(_end_row(mode) for mode in modes),
        hold_rows=tuple(_hold_row(hold) for hold in survey.holds),
        remarks=tuple(_remarks(study)),
        proposal=proposal,
    )


def next_hold(study: LimitsStudy) -> Proposal:
    """What to measure next, with its plan; slow, where the coefficients rest on many holds."""
    hold = propose_hold(study.limits)
    if hold is None:
        return Proposal(None, "no further hold can be proposed: no limit binds, or no point is safe enough to hold")
    try:
        keys = speed_keys(study.limits, study.rig, study.survey.holds, hold)
    except AnalysisError as error:
        return Proposal(hold, f"{_promise(hold)}; {error}")
    return Proposal(hold, _promise(hold), next_hold_plan(hold, *keys))


def survey_holds(runs: Sequence[Run]) -> HoldSurvey:
    """Holds and rejected stretches of all ``runs`` together."""
    surveys = [find_holds(run) for run in runs]
    return HoldSurvey(
        tuple(hold for survey in surveys for hold in survey.holds),
        tuple(item for survey in surveys for item in survey.rejected),
    )


def _limits(survey: HoldSurvey, rig: Rig) -> PitchLimits:
    if not survey.holds:
        reasons = "; ".join(list(dict.fromkeys(item.reason for item in survey.rejected))[:TOLD_REASONS])
        raise AnalysisError(
            f"no settled hold found ({reasons or 'speed or pitch never stood still'}): "
            "hold each speed and pitch for 8 s or so"
        )
    return pitch_limits(survey.holds, rig, air_density_kg_m3(rig, PURPOSE))


def _fits(limits: PitchLimits) -> Iterator[tuple[CoefficientFit, tuple[np.ndarray, np.ndarray]]]:
    propeller = limits.propeller
    for fit, estimate in ((propeller.ct, propeller.points.ct), (propeller.cp, propeller.points.cp)):
        if fit is not None:
            yield fit, (propeller.points.pitch_deg, estimate.value)


def _heading(limits: PitchLimits) -> str:
    over = [row for row in limits.limits if row.over_everywhere]
    if over:
        return f"{_speeds(over)}: a limit is exceeded at every measured pitch; do not hold that speed"
    safe = [row for row in limits.limits if row.max_pitch_deg_95 is not None]
    if not safe:
        return "nothing binds within the measured pitches"
    tight = min(safe, key=lambda row: row.max_pitch_deg_95)  # type: ignore[arg-type,return-value]
    return f"tightest at {tight.rpm:.0f} rpm: {tight.max_pitch_deg_95:.1f} deg is safe (95 %), {tight.binding_95} binds"


def _speeds(rows: Sequence[SpeedLimits]) -> str:
    ends = sorted({round(row.rpm) for row in (rows[0], rows[-1])})
    return " to ".join(f"{rpm}" for rpm in ends) + " rpm"


def _degrees(value: float | None) -> str:
    return NONE if value is None else f"{value:.1f}"


def _limit_row(row: SpeedLimits) -> tuple[str, ...]:
    remark = "exceeded everywhere: do not hold" if row.over_everywhere else ""
    if row.extrapolated:
        remark = "; ".join(part for part in (remark, "no hold near this speed") if part)
    binds = row.binding_95 or "none in range"
    return (
        f"{row.rpm:.0f}", _degrees(row.max_pitch_deg), _degrees(row.max_pitch_deg_95), binds,
        _degrees(row.min_pitch_deg), _degrees(row.min_pitch_deg_95), remark,
    )  # fmt: skip


def _end_row(mode: ModeEndPoints) -> tuple[str, ...]:
    set_by = " / ".join(end.set_by for end in (mode.fine, mode.coarse) if end is not None)
    speeds = f"{mode.rpm[0]:.0f} – {mode.rpm[1]:.0f}"
    return (mode.mode, speeds, _end(mode.fine), _end(mode.coarse), set_by or NONE, mode.remark)


def _end(end: EndPoint | None) -> str:
    return NONE if end is None else f"{end.pitch_deg:.1f} deg = {end.servo_us} us = {end.travel_pct:+d} %"


def _hold_row(hold: Hold) -> tuple[str, ...]:
    quantities = (
        (hold.rpm, 0), (hold.pitch_deg, 2), (hold.thrust_n, 1), (hold.current_a, 1), (hold.voltage_v, 2),
        (hold.power_w, 0), (hold.vibration_g_rms, 2),
    )  # fmt: skip
    return (f"{hold.from_s:.1f} – {hold.to_s:.1f}", *(_mean(measured, digits) for measured, digits in quantities))


def _mean(measured: Measured, digits: int) -> str:
    return NONE if not np.isfinite(measured.mean) else f"{measured.mean:.{digits}f} ± {measured.stderr:.{digits}f}"


def _promise(proposal: NextHold) -> str:
    return (
        f"measure next: {proposal.rpm:.0f} rpm at {proposal.pitch_deg:.1f} deg; the limits' standard error would fall "
        f"from {proposal.stderr_before_deg:.2f} to {proposal.stderr_after_deg:.2f} deg"
    )


def _remarks(study: LimitsStudy) -> Iterator[str]:
    limits, survey, rig = study.limits, study.survey, study.rig
    low, high = limits.pitch_range_deg
    yield f"{len(survey.holds)} holds, pitch {low:.1f} to {high:.1f} deg; nothing is stated outside that range"
    if not (rig.modes and rig.pitch.table):
        yield "no servo end points: the rig needs pitch.table and at least one mode"
    for rejected in survey.rejected:
        yield f"not used: {rejected.from_s:.1f} to {rejected.to_s:.1f} s, {rejected.reason}"
    yield from (f"implausible: {text}" for text in limits.propeller.points.complaints)
    yield from (f"not evaluated: {text}" for text in limits.not_evaluated)
    yield from (f"avoid {band[0]:.0f} to {band[1]:.0f} rpm: vibration near its limit" for band in limits.avoid_rpm)
    if study.second is not None:
        for item in compare_sets(limits, study.second):
            yield (
                f"second set, {item.quantity} at {item.pitch_deg:.1f} deg: {item.difference_pct:+.1f} "
                f"± {item.stderr_pct:.1f} %, real with {100 * item.confidence:.0f} % confidence"
            )
    yield CAUTION
