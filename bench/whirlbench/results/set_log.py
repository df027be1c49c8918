"""The log of one blade set in words: where it stands, what it has run, the cycles of load it has seen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from whirlbench.log import Entry, EntryKind, Standing, State, calibrations_of
from whirlbench.log.entries import CYCLE_BIN, cycles_of
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed, significant
from whirlbench.results.labels import spoken

SUBJECT = "blade set"
TOTAL_COLUMNS = (Column("quantity", figures=False), Column("sum"))
CALIBRATION_COLUMNS = (Column("channel", figures=False), Column("day, figures ± standard errors", figures=False))
CYCLE_COLUMNS = (Column("range of load, share of the permitted", figures=False), Column("cycles"))
ENTRY_COLUMNS = (
    Column("entry"),
    Column("when, UTC", figures=False),
    Column("kind", figures=False),
    Column("by", figures=False),
    Column("what", figures=False),
)
NO_LIFE = (
    "no life is predicted from these sums: they tell what the set has seen, not what it will bear; "
    "what cannot be inspected is retired early"
)
NEW_SET = "look at every blade, its root and its bolts before the first run, and enter the inspection"


def set_log_answer(entries: Sequence[Entry], found: Standing) -> Answer:
    """The ``entries`` of one set, the oldest first, and where it stands, in words."""
    return Answer(
        SUBJECT,
        f"{found.blade_set}: {found.sentence}",
        tables=tuple(_tables(entries, found)),
        remarks=tuple(_remarks(entries, found)),
        not_judged=tuple(_not_judged(entries, found)),
        document=_document(entries, found),
    )


def _not_judged(entries: Sequence[Entry], found: Standing) -> Iterator[NotJudged]:
    if not entries:
        yield NotJudged("use of the set", "the log has no entry of it")
    if found.totals.runs and not calibrations_of(entries):
        yield NotJudged("calibrations in force", "the log holds none: its runs were entered before it kept them")
    unknown = [entry for entry in entries if entry.use is not None and entry.use.permitted_rpm is None]
    if unknown:
        yield NotJudged(
            "cycles of load",
            f"in {len(unknown)} of {found.totals.runs} runs no permitted speed was known, so that they are not counted",
        )


def _tables(entries: Sequence[Entry], found: Standing) -> Iterator[Table]:
    sums = found.totals
    rows = (
        ("runs", str(sums.runs)),
        ("starts", str(sums.starts)),
        ("hours above rest", fixed(sums.hours, 3)),
        ("revolutions", fixed(sums.revolutions, 0)),
        ("greatest speed, rpm", NONE if sums.peak_rpm is None else _peak(sums.peak_rpm, sums.peak_stderr_rpm)),
        ("trips", str(sums.trips)),
    )
    yield Table("totals", "What the set has run", TOTAL_COLUMNS, rows)
    cycles = tuple((f"{one.low:.1f} to {one.low + CYCLE_BIN:.1f}", f"{one.count:g}") for one in cycles_of(entries))
    yield Table("cycles", "Cycles of centrifugal load (rainflow count, ASTM E1049)", CYCLE_COLUMNS, cycles)
    known = tuple((channel, text.partition(", ")[2]) for channel, text in calibrations_of(entries).items())
    yield Table("calibrations", "Calibrations in force by the last entry of each", CALIBRATION_COLUMNS, known)
    yield Table("entries", "Entries", ENTRY_COLUMNS, tuple(map(_entry_row, entries)))


def _entry_row(entry: Entry) -> tuple[str, ...]:
    return str(entry.number), entry.at[:16], entry.kind.value, entry.operator or NONE, _what(entry)


def _what(entry: Entry) -> str:
    use = entry.use
    if entry.kind is EntryKind.BEGUN:  # the answers stand in the export and in the recording
        return "; ".join(entry.text.splitlines()[:2]).rstrip(":")
    if use is None:
        return entry.text
    peak = "speed not known" if use.peak_rpm is None else f"peak {_peak(use.peak_rpm, use.peak_stderr_rpm)} rpm"
    trips = f", tripped: {', '.join(spoken(name) for name in use.trips)}" if use.trips else ""
    ending = "" if use.complete else ", the recording is not complete"
    return f"{use.recording}: {use.turning_s:.0f} s above rest, {peak}{trips}{ending}"


def _peak(rpm: float, stderr_rpm: float | None) -> str:
    return fixed(rpm, 0) if stderr_rpm is None else f"{rpm:.0f} ± {significant(stderr_rpm, 2)}"


def _remarks(entries: Sequence[Entry], found: Standing) -> Iterator[Remark]:
    if found.state is State.RETIRED:
        yield Remark(Level.DANGER, f"the set {found.blade_set} is retired: it is not to be spun again")
    elif found.state is State.INSPECTION_DUE:
        yield Remark(Level.CAUTION, f"not to be spun before an inspection is entered: {'; '.join(found.reasons)}")
    elif found.state is State.NEW:
        yield Remark(Level.CAUTION, NEW_SET)
    for entry in entries:
        if entry.kind is EntryKind.OVERRIDE:
            yield Remark(Level.CAUTION, f"entry {entry.number}: the gate was overridden, {entry.text}")
    yield Remark(Level.NOTE, NO_LIFE)


def _document(entries: Sequence[Entry], found: Standing) -> Mapping[str, Any]:
    return {
        "blade_set": found.blade_set,
        "state": found.state.value,
        "reasons": found.reasons,
        "totals": found.totals,
        "cycles": cycles_of(entries),
        "calibrations": calibrations_of(entries),
        "entries": entries,
    }
