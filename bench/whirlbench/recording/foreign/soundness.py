"""Readings that no stand can show: marked as gaps and told with their rows, or refused where they are many."""

from __future__ import annotations

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.column import ForeignTable
from whirlbench.recording.foreign.recognition import ASKED_UNITS, Meaning
from whirlbench.recording.foreign.times import LONGEST_GAP_S, SLOWEST_ROW_S
from whirlbench.samples import SLOW_CHANNELS, Run

# Least and greatest reading of any stand of this kind, in the channel's own unit; generous: what lies beyond is no
# reading. Current may run back into the pack. Common practice, no source.
BELIEVABLE = {
    "rpm": (0.0, 2e5), "speed_request_rpm": (0.0, 2e5), "current_a": (-2e3, 2e3), "voltage_v": (0.0, 1e3),
    "thrust_n": (-2e4, 2e4), "servo_us": (0.0, 3e3), "throttle_us": (0.0, 3e3), "pitch_deg": (-90.0, 95.0),
    "ax_g": (-1e3, 1e3), "ay_g": (-1e3, 1e3), "az_g": (-1e3, 1e3),
}  # fmt: skip
MOST_MARKED = 0.01  # share of rows; beyond it the column is not what it was taken for
FEW = 2


def is_sound(run: Run) -> bool:
    """Whether every slow reading of ``run`` may be one, and its times those of a run in seconds."""
    steps = np.diff(run.slow.time_s)
    if len(steps) and (np.median(steps) > SLOWEST_ROW_S or steps.max() > LONGEST_GAP_S):
        return False
    for name in (channel.name for channel in SLOW_CHANNELS):
        low, high = BELIEVABLE[name]
        values = run.slow.channel(name)
        if np.nanmin(values, initial=low) < low or np.nanmax(values, initial=high) > high:
            return False
    return True


def sound_values(table: ForeignTable, meaning: Meaning) -> tuple[np.ndarray, list[str]]:
    """The column's figures with impossible ones as NaN, and a line that names their rows.

    RecordingError when more than one row in a hundred is impossible.
    """
    values = meaning.values().copy()
    low, high = BELIEVABLE[meaning.channel]
    with np.errstate(invalid="ignore"):
        wild = np.flatnonzero((values < low) | (values > high) | np.isinf(values))
    bad = np.union1d(wild, np.array(meaning.column.odd_rows, dtype=int)).astype(int)
    if not len(bad):
        return values, []
    known = int(np.isfinite(values).sum()) + len(meaning.column.odd_rows)
    where = f"column {meaning.column.heading!r} as {meaning.channel}"
    if len(bad) > max(FEW, MOST_MARKED * known):
        example = (
            f"{values[wild[0]]:.6g} in row {table.row(int(wild[0]))}" if len(wild) else "cells that are no numbers"
        )
        unit = ASKED_UNITS[meaning.channel][-1]
        raise RecordingError(
            f"{table.source}: {where}: {len(bad)} of {known} readings are impossible ({example}; believable are "
            f'{low:g} to {high:g}); add --map "{meaning.column.heading}=extra" to leave it aside, or '
            f'--map "{meaning.column.heading}={meaning.channel}*{unit}" if that is its unit'
        )
    values[bad] = np.nan
    return values, [f"{where}: impossible or no number in {table.row_list(bad)}: read as gaps"]
