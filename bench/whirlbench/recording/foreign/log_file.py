"""One file of a foreign logger, understood: times in seconds, channels in their units, the rest as extra channels."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.binary_table import is_binary, read_binary_table
from whirlbench.recording.foreign.column import ForeignTable
from whirlbench.recording.foreign.column_map import ColumnRule
from whirlbench.recording.foreign.recognition import (
    ELECTRICAL,
    HUNDREDS,
    Meaning,
    PulseScales,
    name_and_unit,
    recognise,
)
from whirlbench.recording.foreign.soundness import sound_values
from whirlbench.recording.foreign.text_table import Form, read_text_table
from whirlbench.recording.foreign.times import check_times, gaps
from whirlbench.recording.layout import MOST_EXTRA
from whirlbench.samples import SLOW_CHANNELS, ExtraChannel

EPOCH_S = 1e6  # times beyond are dates in seconds, counted from the first row then
MOST_WORD = 50  # letters of an extra channel's name
RESERVED = {"t_s", "time_s", *(channel.name for channel in SLOW_CHANNELS)}


@dataclass(frozen=True)
class Reading:
    """How files are to be read: the table's form, rules for columns, scales of a rig, rows a second where told."""

    form: Form = field(default_factory=Form)
    rules: tuple[ColumnRule, ...] = ()
    pulses: PulseScales = field(default_factory=PulseScales)
    rate_hz: float | None = None
    pole_pairs: int | None = None


@dataclass(frozen=True)
class ForeignLog:
    """What a file holds: times (n,) in s, channels by name and extra channels, (n,) each.

    ``meanings``: what each column was taken for; ``remarks``: what was left out, marked or shifted, with row numbers.
    """

    table: ForeignTable
    meanings: tuple[Meaning, ...]
    times_s: np.ndarray
    channels: dict[str, np.ndarray]
    extra: tuple[ExtraChannel, ...]
    remarks: tuple[str, ...] = ()

    @property
    def source(self) -> str:
        """The file's name."""
        return self.table.source


def read_log(path: Path, channels: Sequence[str], reading: Reading, required: Sequence[str] = ()) -> ForeignLog:
    """The file at ``path``, of any habit, text, Parquet or HDF5; ``channels`` are those it may hold beside ``t_s``.

    RecordingError in one line with the option to add when something in it is not certain, impossible or missing.
    """
    table = read_binary_table(path) if is_binary(path) else read_text_table(path, reading.form)
    rules = tuple(rule for rule in reading.rules if _is_for(rule, table))
    meanings = recognise(table, ("t_s", *channels), rules, reading.pulses)
    _require(table, meanings, ("t_s", *required), reading)
    times_s, told = _times(table, meanings, reading.rate_hz)
    values, remarks = {}, [*table.remarks, *told]
    for meaning in meanings:
        if meaning.channel and meaning.channel != "t_s":
            values[meaning.channel], marked = sound_values(table, meaning)
            remarks += marked
    remarks += _pauses(table, times_s)
    return ForeignLog(table, meanings, times_s, values, _extra(meanings, times_s, reading), tuple(remarks))


def unused_rules(rules: Sequence[ColumnRule], logs: Sequence[ForeignLog]) -> tuple[str, ...]:
    """Headings of rules that no file has: a slip of the pen, which must not pass unseen."""
    return tuple(rule.heading for rule in rules if not any(_is_for(rule, log.table) for log in logs))


def _is_for(rule: ColumnRule, table: ForeignTable) -> bool:
    return any(column.heading.strip().lower() == rule.heading.lower() for column in table.columns)


def _require(table: ForeignTable, meanings: Sequence[Meaning], needed: Sequence[str], reading: Reading) -> None:
    """RecordingError when a channel that must be there was not recognised, with the likeliest option."""
    there = {one.channel for one in meanings}
    for channel in needed:
        if channel in there or (channel == "t_s" and reading.rate_hz):
            continue
        headings = ", ".join(column.heading for column in table.columns)
        raise RecordingError(
            f"{table.source}: no column reads as {channel}; found {headings}; add "
            f"{_option_for(channel, meanings, reading)}"
        )


def _option_for(channel: str, meanings: Sequence[Meaning], reading: Reading) -> str:
    if channel == "t_s":
        return '--map "COLUMN=t_s" (its unit: *ms, *min) or --rate HZ for rows that are evenly spaced'
    for one in meanings:
        name = HUNDREDS.sub(r"\1", name_and_unit(one.column)[0]).strip()
        if channel == "rpm" and re.fullmatch(ELECTRICAL, name):
            pairs = reading.pole_pairs or "POLE_PAIRS"
            return f'--map "{one.column.heading}=rpm/{pairs}" (the motor\'s pole pairs turn electrical rpm into rpm)'
    likely = [one for one in meanings if not one.channel and 500.0 <= np.nanmax(one.column.values, initial=0.0) <= 1e5]
    heading = likely[0].column.heading if likely else "COLUMN"
    return f'--map "{heading}={channel}"'


def _times(table: ForeignTable, meanings: Sequence[Meaning], rate_hz: float | None) -> tuple[np.ndarray, list[str]]:
    if rate_hz:
        return np.arange(len(table.rows)) / rate_hz, [f"times from --rate: {rate_hz:g} rows a second"]
    meaning = next(one for one in meanings if one.channel == "t_s")
    times_s = meaning.values()
    heading = meaning.column.heading
    blank = np.flatnonzero(~np.isfinite(times_s))
    if len(blank):
        raise RecordingError(
            f"{table.source}: column {heading!r}: {table.row_list(blank)} has no time; remove the rows"
        )
    check_times(table, heading, times_s)
    if abs(times_s[0]) > EPOCH_S:
        return times_s - times_s[0], [f"times counted from the first row, which says {times_s[0]:.12g} s"]
    return times_s, []


def _pauses(table: ForeignTable, times_s: np.ndarray) -> list[str]:
    wide = gaps(times_s)
    return [f"gaps in time before {table.row_list(wide)}: nothing is known there"] if len(wide) else []


def _extra(meanings: Sequence[Meaning], times_s: np.ndarray, reading: Reading) -> tuple[ExtraChannel, ...]:
    others = [one for one in meanings if not one.channel or (one.channel == "t_s" and reading.rate_hz)]
    found: dict[str, ExtraChannel] = {}
    for one in others:
        values = one.column.values if not one.channel else one.values()
        if np.isfinite(values).any() and len(found) < MOST_EXTRA:
            word = plain_word(one.column.heading, found)
            found[word] = ExtraChannel(word, one.unit, one.column.heading, values)
    return tuple(found.values())


def plain_word(heading: str, taken: dict[str, ExtraChannel]) -> str:
    """A name of letters, digits and underscores for a heading, unlike any channel's and unlike ``taken``.

    >>> plain_word("ESC temp. (°C)", {}), plain_word("rpm", {}), plain_word("Höhe", {})
    ('esc_temp_c', 'rpm_column', 'h_he')
    """
    word = re.sub(r"[^a-z0-9]+", "_", heading.lower()).strip("_")[:MOST_WORD] or "column"
    word = f"{word}_column" if word in RESERVED else word
    number = 2
    while word in taken:
        word = f"{word.removesuffix(f'_{number - 1}')}_{number}"
        number += 1
    return word
