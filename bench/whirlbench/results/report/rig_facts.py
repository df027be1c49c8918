"""Set, rig and calibration as they stood for a run: what is known, with its uncertainty, and what is not."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    figure,
    fixed,
    not_judged,
    span,
)
from whirlbench.results.labels import label
from whirlbench.results.report.chapter import RecordedRun
from whirlbench.rig.description import Calibration, Rig

SUBJECT = "set and rig"
FACT_COLUMNS = (Column("what", figures=False), Column("as it stood", figures=False))
CALIBRATION_COLUMNS = (
    Column("channel", figures=False),
    Column("units a count"),
    Column("zero, counts"),
    Column("standard error of the gain", "%"),
    Column("of the zero"),
    Column("of one reading"),
    Column("calibrated from – to"),
    Column("day", figures=False),
)
LIMIT_COLUMNS = (Column("limit", figures=False), Column("value"), Column("rig key", figures=False))
NO_RIG = "the recording holds no rig: give the rig file with --rig"


def rig_answer(recorded: RecordedRun) -> Answer:
    """The set and the rig of a run, its limits and calibrations."""
    rig = recorded.rig
    if rig is None:
        return not_judged(SUBJECT, NO_RIG)
    return Answer(
        SUBJECT,
        f"{rig.name or 'rig without a name'}, blades: {rig.propeller.blade_set or 'not named'}",
        tables=(
            Table("set and rig", "Set and rig", FACT_COLUMNS, tuple(_facts(recorded, rig))),
            Table("limits in force", "Limits of the rig", LIMIT_COLUMNS, tuple(_limits(rig))),
            Table("calibration", "Calibration, one standard error each", CALIBRATION_COLUMNS, calibration_rows(rig)),
        ),
        remarks=tuple(_remarks(rig)),
        not_judged=tuple(_open(rig)),
        document={"rig": rig.name, "blade_set": rig.propeller.blade_set, "calibration": rig.calibration},
    )


def _facts(recorded: RecordedRun, rig: Rig) -> Iterator[tuple[str, str]]:
    propeller = rig.propeller
    yield "rig", rig.name or "not named"
    yield "blade set", propeller.blade_set or "not named"
    yield "propeller", f"{propeller.blades or NONE} blades, diameter {figure(propeller.diameter_m)} m"
    yield "cleared for the run", recorded.attributes.clearance or "no clearance stands in the recording"
    air = rig.air
    given = (f"{air.density_kg_m3:g} kg/m³",) if air.density_kg_m3 else _weather(rig)
    yield "air", ", ".join(given) or "not told"
    error = f"± {rig.pitch.stderr_deg:g} deg"
    play = f", play {rig.pitch.play_deg:g} deg" if rig.pitch.play_deg is not None else ", play not known"
    yield "true blade angle", error + play
    scale = rig.transmitter
    day = f"measured {scale.date}" if scale.date else "assumed, common practice: measure your own"
    yield "transmitter travel", f"0 % at {scale.middle_us:g} µs, 100 % is {scale.full_travel_us:g} µs further; {day}"
    stand = rig.stand
    yield "guard", stand.guard or "not told"
    yield "isolating switch", stand.isolator or "not told"


def _weather(rig: Rig) -> tuple[str, ...]:
    air = rig.air
    known = ((air.temperature_c, "°C"), (air.pressure_hpa, "hPa"), (air.humidity_pct, "% humidity"))
    return tuple(f"{value:g} {unit}" for value, unit in known if value is not None)


def _limits(rig: Rig) -> Iterator[tuple[str, ...]]:
    for item in msgspec.structs.fields(rig.limits):
        value = getattr(rig.limits, item.name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            yield label(item.name), figure(float(value), 6), f"limits.{item.name}"


def calibration_rows(rig: Rig) -> tuple[tuple[str, ...], ...]:
    """A row for each calibrated channel; a dash is what nobody determined."""
    return tuple(_calibration_row(name, one) for name, one in rig.calibration.items())


def _calibration_row(name: str, one: Calibration) -> tuple[str, ...]:
    gain = "table" if one.units_per_count is None else figure(one.units_per_count, 5)
    reach = NONE if one.span is None else span(*one.span, 2)
    errors = (one.stderr_gain_pct, one.stderr_zero, one.residual)
    told = (figure(error, 2) if error > 0.0 else NONE for error in errors)
    return f"{label(name)}, {one.unit}", gain, fixed(one.zero_counts, 1), *told, reach, one.date or NONE


def _open(rig: Rig) -> Iterator[NotJudged]:
    if not rig.calibration:
        yield NotJudged("calibration", "the rig has none: readings are as the recording has them, their error unknown")
    for name, one in rig.calibration.items():
        if one.stderr_gain_pct <= 0.0 and one.residual <= 0.0 and one.stderr_zero <= 0.0:
            yield NotJudged(f"uncertainty of {label(name)}", "no standard error stands in the rig")


def _remarks(rig: Rig) -> Iterator[Remark]:
    if rig.transmitter.date is None:
        yield Remark(Level.CAUTION, "the transmitter's scale of travel is an assumption: end points in % may be off")


def differing_keys(first: Rig, second: Rig) -> tuple[tuple[str, str, str], ...]:
    """(key, value in the first, value in the second) of every rig key that differs, calibration included."""
    one, two = (_flat(msgspec.to_builtins(rig)) for rig in (first, second))
    keys = dict.fromkeys((*one, *two))
    return tuple((key, one.get(key, NONE), two.get(key, NONE)) for key in keys if one.get(key) != two.get(key))


MOST_SHOWN = 60  # letters of one value


def _flat(value: Any, path: str = "") -> dict[str, str]:
    """Every leaf by its key, in text."""
    if isinstance(value, dict) and value:
        return {
            key: text for name, item in value.items() for key, text in _flat(item, f"{path}.{name}".strip(".")).items()
        }
    text = NONE if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    return {path: text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…"}
