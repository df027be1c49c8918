"""The card for the field in words: end points for this transmitter, throttle caps, pitch limits, how long they hold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from whirlbench.analysis.pitch_limits import EndPoint, LimitsStudy, ModeEndPoints, PitchLimits
from whirlbench.results.answer import NONE, Answer, Column, Level, Table, fixed, listed
from whirlbench.results.labels import spoken
from whirlbench.results.limits.charts import open_limits
from whirlbench.results.limits.limits import limits_answer, travel_advice

# A season's half: linkage, pack and blades change with use. Our choice, no source.
VALID_DAYS = 180
MEASURED_EDGE = "as far as measured"
END_COLUMNS = (
    Column("lever position", figures=False),
    Column("speed", "rpm"),
    Column("throttle travel up to", "%", strong=True),
    Column("least pitch", "deg"),
    Column("servo", "µs"),
    Column("travel", "%"),
    Column("greatest pitch", "deg"),
    Column("servo", "µs"),
    Column("travel", "%"),
    Column("remark", figures=False),
)
LIMIT_COLUMNS = (
    Column("speed", "rpm"),
    Column("throttle travel up to", "%", strong=True),
    Column("greatest pitch, 95 % safe", "deg"),
    Column("least pitch, 95 % safe", "deg"),
    Column("remark", figures=False),
)
DASH = "A dash is a value that must not be used: leave the lever out of that position, and the speed alone."


def card_answer(study: LimitsStudy, made: date) -> Answer:
    """The card of ``study``, made on the day ``made``: no number stands where none may be used."""
    whole = limits_answer(study)
    remarks = tuple(remark for remark in whole.remarks if remark.level is not Level.NOTE)
    tables = [_ends(study)] if study.modes else []
    return replace(
        whole,
        subject="card for the field",
        tables=(*tables, _limits(whole, study.limits), Table("basis", DASH, BASIS_COLUMNS, tuple(_basis(study, made)))),
        charts=(),
        remarks=remarks,
        plan=None,
    )


BASIS_COLUMNS = (Column("what", figures=False), Column("of this card", figures=False))


def _ends(study: LimitsStudy) -> Table:
    unsafe = frozenset(place for place, mode in enumerate(study.modes) if mode.fine is None)
    rows = tuple(_end_row(mode, study) for mode in study.modes)
    return Table("end points", "Servo end points of each lever position", END_COLUMNS, rows, unsafe)


def _end_row(mode: ModeEndPoints, study: LimitsStudy) -> tuple[str, ...]:
    cap = NONE if mode.fine is None else f"{mode.throttle_pct:g}"
    words = mode.remark if mode.fine is None else mode.beyond_cap
    remark = "; ".join(filter(None, (spoken(words), travel_advice(mode, study.rig))))
    return mode.mode, f"{mode.rpm[0]:.0f} – {mode.rpm[1]:.0f}", cap, *_end(mode.fine), *_end(mode.coarse), remark


def _end(end: EndPoint | None) -> tuple[str, str, str]:
    if end is None:
        return NONE, NONE, NONE
    return fixed(end.pitch_deg), str(end.servo_us), f"{end.travel_pct:+d}"


def _limits(whole: Answer, limits: PitchLimits) -> Table:
    """Columns of the limits' own table: no figure is rounded twice."""
    table = whole.table("limits")
    rows = tuple(_row(row, limits, forbidden=number in table.danger) for number, row in enumerate(table.rows))
    return Table("limits", "Greatest and least pitch at each speed", LIMIT_COLUMNS, rows, table.danger)


def _row(row: Sequence[str], limits: PitchLimits, forbidden: bool) -> tuple[str, ...]:
    """A row of the limits for the card, whose dash must mean *do not use*: a limit that does not bind is none."""
    rpm, greatest, least, travel, remark = (row[place] for place in (0, 2, 5, 6, 7))
    if forbidden or NONE not in (greatest, least):
        return rpm, travel, greatest, least, remark
    low, high = limits.pitch_range_deg
    greatest = fixed(high) if greatest == NONE else greatest
    least = fixed(low) if least == NONE else least
    unjudged = f"not judged: {listed([item.what for item in open_limits(limits)])}" if open_limits(limits) else ""
    return rpm, travel, greatest, least, "; ".join(filter(None, (remark, MEASURED_EDGE, unjudged)))


def _basis(study: LimitsStudy, made: date) -> Iterator[tuple[str, str]]:
    rig, limits = study.rig, study.limits
    yield "blades", rig.propeller.blade_set or "not named"
    yield "rig", rig.name or "not named"
    yield "made on", made.isoformat()
    until = made + timedelta(days=VALID_DAYS)
    yield (
        "valid until",
        f"{until.isoformat()}, and not beyond any change of blades, linkage, servo, pack or transmitter",
    )
    scale = rig.transmitter
    day = f"measured {scale.date}" if scale.date else "ASSUMED, not measured"
    yield "travel of this transmitter", f"0 % at {scale.middle_us:g} µs, 100 % is {scale.full_travel_us:g} µs ({day})"
    low, high = limits.rpm_range
    yield (
        "measured",
        f"{limits.pitch_range_deg[0]:.1f} to {limits.pitch_range_deg[1]:.1f} deg, {low:.0f} to {high:.0f} rpm",
    )
    yield "air", f"{limits.propeller.density_kg_m3:.3f} kg/m³"
    yield "recordings", listed(list(dict.fromkeys(Path(hold.source).name for hold in study.survey.holds)))
