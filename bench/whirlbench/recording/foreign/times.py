"""Times of the clock, and times without a unit, as seconds of a run."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.column import ForeignTable
from whirlbench.recording.layout import LONGEST_RUN_S

CLOCK = re.compile(
    r"(?:(?P<date>\d{4}-\d{2}-\d{2})[T ]|(?:.*[T ]))?(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,]\d+)?"
    r"\s*(?P<half>[AaPp][Mm])?(?:Z|[+-]\d\d:?\d\d)?"
)
DAY_S, HALF_DAY_S = 86400.0, 43200.0
# Rows of a log of a run come between two thousand times a second and once in ten seconds. Common practice, no source.
FASTEST_ROW_S, SLOWEST_ROW_S = 5e-4, 10.0
SHORTEST_RUN_S = 1.0
LONGEST_GAP_S = 3600.0  # a pause beyond is another run
BARE_UNITS = (("s", 1.0), ("ms", 1e-3), ("us", 1e-6))


def seconds_of_clock(cells: Sequence[str]) -> np.ndarray:
    """Seconds since the first cell, (n,), over midnight too; NaN where a cell is no time of the clock.

    Minutes and seconds alone, such as 01:23.4, are read as such where a decimal stands behind them.
    """
    seconds = np.array([_seconds(cell) for cell in cells])
    known = np.flatnonzero(np.isfinite(seconds))
    if not len(known):
        return seconds
    drops = np.diff(seconds[known]) < -HALF_DAY_S
    seconds[known[1:]] += DAY_S * np.cumsum(drops)
    first: float = seconds[known[0]]
    return seconds - first


def _seconds(cell: str) -> float:
    found = CLOCK.fullmatch(cell.strip())
    if found is None:
        return float("nan")
    first, second, third = int(found["h"]), int(found["m"]), found["s"]
    fraction = float(found["f"].replace(",", ".")) if found["f"] else 0.0
    if third is None:
        return first * 60.0 + second + fraction if found["f"] else first * 3600.0 + second * 60.0
    hour = first % 12 + 12 * (found["half"].lower() == "pm") if found["half"] else first
    days = np.datetime64(found["date"]).astype(int) if found["date"] else 0
    return float(days) * DAY_S + hour * 3600.0 + second * 60.0 + int(third) + fraction


def factors_that_fit(values: np.ndarray) -> dict[str, float]:
    """Units (with their factor to seconds) in which ``values`` may be the times of a run."""
    steps = np.diff(values[np.isfinite(values)])
    if not len(steps):
        return dict(BARE_UNITS)
    step, whole = float(np.median(steps)), float(np.sum(steps))
    return {
        unit: factor
        for unit, factor in BARE_UNITS
        if FASTEST_ROW_S <= step * factor <= SLOWEST_ROW_S and SHORTEST_RUN_S <= whole * factor <= LONGEST_RUN_S
    }


def check_times(table: ForeignTable, heading: str, times_s: np.ndarray) -> None:
    """RecordingError unless ``times_s`` are the rising times of one run, at a rate of some kind of log."""
    where = f"{table.source}: column {heading!r}"
    steps = np.diff(times_s)
    back = np.flatnonzero(steps < 0)
    if len(back):
        row = table.row(int(back[0]) + 1)
        raise RecordingError(
            f"{where}: time runs back in row {row} (from {times_s[back[0]]:.6g} to {times_s[back[0] + 1]:.6g} s); two "
            "runs in one file? cut it there in two"
        )
    if len(steps) and (same := np.flatnonzero(steps == 0)).size:
        rate_hz = len(steps) / max(float(times_s[-1] - times_s[0]), 1e-9)
        raise RecordingError(
            f"{where}: {table.row_list(same + 1)} repeat the time of the row before: too few decimals; if the rows "
            f"are evenly spaced, add --rate {rate_hz:.4g} (rows a second)"
        )
    if len(steps) and float(np.median(steps)) > SLOWEST_ROW_S:
        raise RecordingError(
            f"{where}: its rows would be {np.median(steps):.4g} s apart, more than {SLOWEST_ROW_S:g} s; if these are "
            f'milliseconds, add --map "{heading}=t_s*0.001"'
        )
    if len(steps) and float(np.median(steps)) < FASTEST_ROW_S / 10:
        raise RecordingError(
            f"{where}: its rows would be {np.median(steps):.2g} s apart, which no slow log is; if these are minutes, "
            f'add --map "{heading}=t_s*60"'
        )
    wide = np.flatnonzero(steps > LONGEST_GAP_S)
    if len(wide):
        raise RecordingError(
            f"{where}: {steps[wide[0]]:.6g} s pass before row {table.row(int(wide[0]) + 1)}; a run has no pause above "
            f"{LONGEST_GAP_S:g} s: cut the file there in two"
        )


def gaps(times_s: np.ndarray) -> np.ndarray:
    """Places of the rows before which more time passed than five rows take, and at least a second."""
    steps = np.diff(times_s)
    typical_s = float(np.median(steps)) if len(steps) else 0.0
    found: np.ndarray = np.flatnonzero(steps > max(5.0 * typical_s, 1.0)) + 1
    return found
