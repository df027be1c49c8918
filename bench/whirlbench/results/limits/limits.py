"""Pitch limits in words: what is permitted at each speed, what binds, end points of each lever position."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from whirlbench.analysis.pitch_limits import (
    EndPoint,
    LimitsStudy,
    ModeEndPoints,
    NextHold,
    PitchLimits,
    Proposal,
    SpeedLimits,
    at_speeds,
    limits_study,
    propose,
    safe_throttle_of,
)
from whirlbench.analysis.propeller import Hold
from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    PlanOffer,
    Remark,
    Table,
    fixed,
    listed,
    plain,
    significant,
    span,
)
from whirlbench.results.figures.readings import hold_error, hold_mark, with_calibration
from whirlbench.results.figures.throttle_travel import TRAVEL_COLUMNS, highest_travel, travel_cells
from whirlbench.results.labels import label, spoken
from whirlbench.results.limits.charts import (
    coefficient_charts,
    curve_rows,
    forbidden_words,
    limits_chart,
    open_limits,
)
from whirlbench.results.limits.second_set import SecondSet
from whirlbench.rig.description import Rig

__all__ = ["LimitsStudy", "at_speeds", "limits_answer", "limits_study", "propose"]

SUBJECT = "pitch limits"
WIDE_OPEN = "if the governor fails wide open"
NEXT_HOLD = "measure next"
PENDING = "working out what to measure next …"
AID = "An aid to judgement: stay out of the plane of rotation and approach new limits in stages."


def limits_answer(study: LimitsStudy, proposal: Proposal | None = None) -> Answer:
    """``study`` in words; ``proposal`` None: what to measure next is not worked out yet."""
    limits, curve = study.limits, curve_rows(study)
    second = SecondSet.compared(limits, study.second) if study.second is not None else None
    return Answer(
        SUBJECT,
        _headline(study, curve),
        tables=(*_tables(study), *((second.table,) if second else ())),
        charts=(limits_chart(study, curve, proposal.hold if proposal else None), *coefficient_charts(limits)),
        remarks=tuple(_remarks(study, second)),
        not_judged=(*open_limits(limits), *(second.not_judged if second else ())),
        document=_document(study, proposal, second),
        plan=_plan(proposal),
        judged=bool(limits.constraints) or study.rig.limits.overspeed_rpm is not None,
    )


def _headline(study: LimitsStudy, curve: Sequence[SpeedLimits]) -> str:
    """The tightest of all that is shown: rows of the table, and the chart's curve at speeds of a powered mode."""
    limits, inside = study.limits, _in_powered_modes(curve, study.rig)
    rows = (*limits.limits, *inside)
    forbidden = (*_forbidden(limits), *_forbidden_in_modes(inside, limits))
    if forbidden:
        return "; ".join(forbidden)
    safe = [row for row in rows if row.max_pitch_deg_95 is not None]
    if not safe:
        if not open_limits(limits):
            return "nothing binds within the measured pitches"
        return f"no limit that could be judged binds within the measured pitches; {_open_words(limits)}"
    tight = min(safe, key=lambda row: row.max_pitch_deg_95 or 0.0)
    binds = label(tight.binding_95 or "")
    greatest = f"greatest pitch {_floored(tight.max_pitch_deg_95 or 0.0):.1f} deg, 95 % safe; {binds} binds"
    tightest = f"tightest at {tight.rpm:.0f} rpm: {greatest}" + ("; no hold near it" if tight.extrapolated else "")
    return f"{tightest}; {_open_words(limits)}" if open_limits(limits) else tightest


def _floored(pitch_deg: float) -> float:
    """To a tenth of a degree, on the safe side."""
    return math.floor(pitch_deg * 10.0 + 1e-6) / 10.0


def _in_powered_modes(curve: Sequence[SpeedLimits], rig: Rig) -> tuple[SpeedLimits, ...]:
    """The rows of the chart's curve that lie at speeds of a powered mode."""
    powered = [mode.rpm for mode in rig.modes.values() if mode.powered]
    return tuple(row for row in curve if any(low <= row.rpm <= high for low, high in powered))


def _forbidden_in_modes(rows: Sequence[SpeedLimits], limits: PitchLimits) -> Iterator[str]:
    """One sentence for each reason why a mode's speed must not be held, beside those of the table."""
    told = {row_remark(row) for row in limits.limits if row.forbidden}
    for text in dict.fromkeys(row_remark(row) for row in rows if row.forbidden):
        speeds = [row.rpm for row in rows if row.forbidden and row_remark(row) == text]
        if text not in told:
            yield f"in the modes, from {min(speeds):.0f} rpm on, {text}"


def _open_words(limits: PitchLimits) -> str:
    """Which limits were not judged, by name."""
    return f"not judged: {listed(list(dict.fromkeys(item.what for item in open_limits(limits))))}"


def _forbidden(limits: PitchLimits) -> Iterator[str]:
    """One sentence for each reason why a speed must not be held, with every such speed."""
    rows = [row for row in limits.limits if row.forbidden]
    for text in dict.fromkeys(row_remark(row) for row in rows):
        speeds = listed([f"{row.rpm:.0f}" for row in rows if row_remark(row) == text])
        yield f"at {speeds} rpm {text}"


def row_remark(row: SpeedLimits) -> str:
    """What must be said of the limits at one speed; empty where nothing must."""
    if row.over_everywhere:
        binds = label(row.binding_95 or row.binding or "")
        return f"{binds} is over its limit at every measured pitch: {forbidden_words(row)}"
    if row.forbidden:
        pitch = "every measured pitch" if row.too_fine_everywhere else "every pitch that the other limits permit"
        return f"a governor that fails wide open would pass overspeed at {pitch}: {forbidden_words(row)}"
    return "no hold near this speed: extrapolated" if row.extrapolated else ""


def _tables(study: LimitsStudy) -> Iterator[Table]:
    rows = study.limits.limits
    nothing = "nothing that could be judged" if open_limits(study.limits) else "nothing in the measured range"
    yield Table(
        "limits", "Greatest and least pitch at each speed", LIMIT_COLUMNS,
        tuple(_limit_row(row, nothing, _held_by(row, study)) for row in rows),
        frozenset(index for index, row in enumerate(rows) if row.forbidden),
    )  # fmt: skip
    if study.modes:
        unsafe = frozenset(index for index, mode in enumerate(study.modes) if mode.fine is None)
        title = "Servo end points, rounded to the safe side"
        rows_of_modes = tuple(_end_row(mode, study) for mode in study.modes)
        yield Table("end points", title, END_COLUMNS, rows_of_modes, unsafe)
    caps = tuple(_throttle_rows(study))
    if caps:
        title = f"Throttle travel with which a failed governor cannot pass {study.rig.limits.overspeed_rpm:g} rpm"
        yield Table("throttle", title, THROTTLE_COLUMNS, caps)
    holds = tuple(_hold_row(hold, study.rig) for hold in study.survey.holds)
    yield Table("holds", "Settled holds that the limits rest on", HOLD_COLUMNS, holds)
    yield Table("basis", "What the figures hold for", BASIS_COLUMNS, tuple(_basis(study)))


LIMIT_COLUMNS = (
    Column("speed", "rpm"),
    Column("greatest pitch", "deg"),
    Column("greatest pitch, 95 % safe", "deg"),
    Column("what binds", figures=False),
    Column(f"least pitch {WIDE_OPEN}", "deg"),
    Column(f"least pitch {WIDE_OPEN}, 95 % safe", "deg"),
    Column("throttle travel up to", "%"),
    Column("remark", figures=False),
)
THROTTLE_COLUMNS = (Column("lever position", figures=False), Column("from a pitch of", "deg"), *TRAVEL_COLUMNS)
END_COLUMNS = (
    Column("lever position", figures=False),
    Column("speed", "rpm"),
    Column("throttle travel up to", "%"),
    Column("least pitch"),
    Column("greatest pitch"),
    Column("set by", figures=False),
    Column("remark", figures=False),
)
HOLD_COLUMNS = (
    Column("from – to", "s"),
    Column("speed", "rpm"),
    Column("pitch", "deg"),
    Column("thrust", "N"),
    Column("current", "A"),
    Column("voltage", "V"),
    Column("power", "W"),
    Column("vibration", "g rms"),
)
BASIS_COLUMNS = (Column("what", figures=False), Column("of this study", figures=False))


def _basis(study: LimitsStudy) -> Iterator[tuple[str, str]]:
    limits = study.limits
    yield "rig", study.rig.name or "not named"
    yield "blades", study.rig.propeller.blade_set or "not named"
    yield "measured", f"{span(*limits.pitch_range_deg, 1)} deg, {span(*limits.rpm_range)} rpm"
    yield "air", f"{limits.propeller.density_kg_m3:.3f} kg/m³"
    yield "rounding", "to the safe side, 95 % confidence"
    yield "± of a hold", "standard error: scatter over the hold and, where the rig tells it, the calibration's error"


def _limit_row(row: SpeedLimits, nothing: str, held_by: str) -> tuple[str, ...]:
    pitches = (row.max_pitch_deg, row.max_pitch_deg_95, row.min_pitch_deg, row.min_pitch_deg_95)
    greatest, greatest_95, least, least_95 = (NONE if row.forbidden else fixed(pitch) for pitch in pitches)
    binding = row.binding_95 or row.binding
    binds = label(binding) if binding else NONE if row.forbidden else nothing
    remark = row_remark(row).rpartition(": ")[2] if row.forbidden else row_remark(row)  # the reason stands above
    travel = f"{row.throttle_pct:g}"
    return f"{row.rpm:.0f}", greatest, greatest_95, binds, least, least_95, travel, f"{remark}{held_by}"


def _held_by(row: SpeedLimits, study: LimitsStudy) -> str:
    """Lever positions that may turn at a speed all the same: their throttle opens less than the row is judged by."""
    names = [
        f"{mode.mode}, throttle travel up to {mode.throttle_pct:g} %"
        for mode in study.modes
        if mode.fine is not None and study.rig.modes[mode.mode].powered
        and mode.rpm[0] <= row.rpm <= mode.rpm[1] and mode.throttle_pct < row.throttle_pct
    ]  # fmt: skip
    return f"; by its end points only: {'; '.join(names)}" if row.forbidden_by == "overspeed" and names else ""


def _throttle_rows(study: LimitsStudy) -> Iterator[tuple[str, ...]]:
    """Of each powered lever position; of all that was measured where the rig has none."""
    ends = [(mode.mode, mode.safe_throttle) for mode in study.modes if study.rig.modes[mode.mode].powered]
    if not study.modes:
        ends = [("none in the rig", safe_throttle_of(study.limits, study.rig, study.limits.pitch_range_deg[0]))]
    for name, travel in ends:
        if travel is not None:
            yield name, fixed(travel.from_deg), *travel_cells(travel.safe_pct, travel.best_pct, study.rig)


def travel_advice(mode: ModeEndPoints, rig: Rig) -> str:
    """The throttle travel that would leave a lever position its whole range; empty where it has that, or none would."""
    travel = mode.safe_throttle
    if travel is None or travel.safe_pct >= mode.throttle_pct:
        return ""
    highest = highest_travel(travel.safe_pct, travel.best_pct, rig)
    return f"{highest} cannot pass overspeed from {travel.from_deg:.1f} deg on"


def _end_row(mode: ModeEndPoints, study: LimitsStudy) -> tuple[str, ...]:
    set_by = " / ".join(spoken(end.set_by) for end in (mode.fine, mode.coarse) if end is not None)
    speeds = f"{mode.rpm[0]:.0f} – {mode.rpm[1]:.0f}"
    cap = NONE if mode.fine is None else f"{mode.throttle_pct:g}"
    powered = study.rig.modes[mode.mode].powered
    unjudged = _open_words(study.limits) if powered and open_limits(study.limits) else ""
    remark = "; ".join(part for part in (spoken(mode.remark), unjudged) if part)
    return mode.mode, speeds, cap, _end(mode.fine), _end(mode.coarse), set_by or NONE, remark


def _end(end: EndPoint | None) -> str:
    return NONE if end is None else f"{end.pitch_deg:.1f} deg = {end.servo_us} µs = {end.travel_pct:+d} %"


def _hold_row(hold: Hold, rig: Rig) -> tuple[str, ...]:
    quantities = (
        ("rpm", 0), ("pitch_deg", 2), ("thrust_n", 1), ("current_a", 1), ("voltage_v", 2), ("power_w", 0),
        ("vibration_g_rms", 2),
    )  # fmt: skip
    return (f"{hold.from_s:.1f} – {hold.to_s:.1f}", *(_mean(hold, rig, name, digits) for name, digits in quantities))


def _mean(hold: Hold, rig: Rig, name: str, digits: int) -> str:
    """A mean over a hold, its error with that of the calibration; marked where a sensor stood beyond its span."""
    measured = with_calibration(getattr(hold, name), hold_error(rig, hold, name))
    if not np.isfinite(measured.mean):
        return NONE
    error = f"{measured.stderr:.{digits}f}"
    told = error if float(error) or not measured.stderr else significant(measured.stderr, 1)  # no error reads as none
    return f"{measured.mean:.{digits}f} ± {told} {hold_mark(rig, hold, name)}".rstrip()


def _remarks(study: LimitsStudy, second: SecondSet | None) -> Iterator[Remark]:
    limits = study.limits
    yield from _dangers(limits)
    yield from _cap_cautions(study.modes)
    for mode in study.modes:
        advice = travel_advice(mode, study.rig)
        if mode.fine is None:
            yield Remark(Level.DANGER, f"{mode.mode}: {'; '.join(filter(None, (spoken(mode.remark), advice)))}")
        elif advice:
            yield Remark(Level.CAUTION, f"{mode.mode}: {advice}")
    yield from (Remark(Level.CAUTION, f"implausible: {text}") for text in limits.propeller.points.complaints)
    for low, high in limits.avoid_rpm:
        yield Remark(Level.CAUTION, f"avoid {span(low, high)} rpm: vibration near its limit")
    yield Remark(Level.CAUTION, AID)
    if second is not None and second.words:
        yield Remark(Level.NOTE, second.words)
    yield from (Remark(Level.NOTE, text) for text in _notes(study))


def _dangers(limits: PitchLimits) -> Iterator[Remark]:
    """Every kind of speed at which no pitch may be held."""
    yield from (Remark(Level.DANGER, text) for text in _forbidden(limits))


def _cap_cautions(modes: Sequence[ModeEndPoints]) -> Iterator[Remark]:
    for mode in modes:
        if mode.beyond_cap:
            text = f"{mode.mode}: the end points hold only with throttle travel up to {mode.throttle_pct:g} %"
            yield Remark(Level.CAUTION, f"{text}; {mode.beyond_cap}")


def _notes(study: LimitsStudy) -> Iterator[str]:
    low, high = study.limits.pitch_range_deg
    yield f"{len(study.survey.holds)} holds, pitch {span(low, high, 1)} deg; nothing is stated outside that range"
    if not study.modes:
        yield "no servo end points: the rig needs pitch.table and at least one mode"
    for rejected in study.survey.rejected:
        yield f"not used: {span(rejected.from_s, rejected.to_s, 1)} s, {rejected.reason}"


def _plan(proposal: Proposal | None) -> PlanOffer:
    """What to measure next and what it would bring, or why nothing is proposed."""
    if proposal is None:
        return PlanOffer(NEXT_HOLD, "next-hold.toml", remark=PENDING)
    parts = ([_promise(proposal.hold)] if proposal.hold else []) + ([proposal.lack] if proposal.lack else [])
    return PlanOffer(NEXT_HOLD, "next-hold.toml", proposal.plan_text, "; ".join(parts))


def _promise(hold: NextHold) -> str:
    return (
        f"{hold.rpm:.0f} rpm at {hold.pitch_deg:.1f} deg; the limits' standard error would fall "
        f"from {hold.stderr_before_deg:.2f} to {hold.stderr_after_deg:.2f} deg"
    )


def _document(study: LimitsStudy, proposal: Proposal | None, second: SecondSet | None) -> Mapping[str, Any]:
    limits = study.limits
    found = {
        "limits": [_row_document(row) for row in limits.limits],
        "coefficients": _coefficients(limits),
        "modes": {mode.mode: _mode_document(mode) for mode in study.modes},
        "holds": study.survey.holds,
        "rejected": study.survey.rejected,
        "complaints": limits.propeller.points.complaints,
        "not_evaluated": limits.not_evaluated,
        "avoid_rpm": limits.avoid_rpm,
        "measured": {"pitch_deg": limits.pitch_range_deg, "rpm": limits.rpm_range},
        "next_hold": proposal.hold if proposal else None,
    }
    if study.second is not None and second is not None:
        rows = [_row_document(row) for row in study.second.limits]
        found["against"] = {"limits": rows, "differences": second.differences}
    return found


def _mode_document(mode: ModeEndPoints) -> dict[str, Any]:
    """End points as JSON; where no safe range is left the throttle travel that would go with them is null too."""
    found: dict[str, Any] = plain(mode)
    return found if mode.fine is not None else {**found, "throttle_pct": None}


def _row_document(row: SpeedLimits) -> dict[str, Any]:
    """A row as JSON; one that no pitch satisfies carries no number."""
    found: dict[str, Any] = {**plain(row), "forbidden": row.forbidden}
    if row.forbidden:
        pitches = ("max_pitch_deg", "max_pitch_deg_95", "min_pitch_deg", "min_pitch_deg_95")
        found |= {**dict.fromkeys(pitches), "values": dict.fromkeys(row.values)}
    return found


def _coefficients(limits: PitchLimits) -> dict[str, Any]:
    """CT and CP every degree over the measured range, at the reference speed."""
    low, high = limits.pitch_range_deg
    pitch = np.linspace(low, high, max(2, round(high - low) + 1))
    points = limits.propeller.points
    table: dict[str, Any] = {
        "pitch_deg": pitch,
        "density_kg_m3": limits.propeller.density_kg_m3,
        "power": "electrical" if points.power_is_electrical else "shaft",
    }
    for name, fit in (("ct", limits.propeller.ct), ("cp", limits.propeller.cp)):
        if fit is not None:
            estimate = fit.at(pitch, np.array(fit.reference_rpm))
            table[name] = {
                "value": estimate.value, "stderr": estimate.stderr, "at_rpm": fit.reference_rpm,
                "trend_with_rpm": fit.trend, "kink_deg": fit.kink_deg,
            }  # fmt: skip
    return table
