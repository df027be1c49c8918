"""What is in a recording and how it is called: groups, columns, types, ending.

Nothing here touches a file. All text is of fixed width and every dataset is chunked with a Fletcher-32 checksum: HDF5
keeps variable-length text and unchunked data where no checksum covers them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES

FORMAT = "whirlbench recording"
FORMAT_VERSION = 1
INTEGRITY = "integrity/blocks"
ENDING = "ending/row"
TEXTS = ("rig_toml", "plan_toml", "calibration_json", "firmware_json")  # datasets of the group `header`
EXTRA = "slow/extra"  # group of what a foreign log held beside the channels that have a meaning here
MOST_EXTRA = 100  # the table of checksums tells columns by one byte
NO_COUNT = -(2**31)  # in an array of counts: no reading
COUNTED = ("rpm", "current_a", "voltage_v", "thrust_n", "pitch_deg")  # slow channels that come from counts
COUNT_MEANING = {
    "rpm": ("ticks of 0.5 us", "tach period, 0 at rest"),
    "current_a": ("counts", "analogue converter, pack current"),
    "voltage_v": ("counts", "analogue converter, pack voltage"),
    "thrust_n": ("counts", "load-cell converter"),
    "pitch_deg": ("counts", "analogue converter, feedback of the pitch servo; 65535 when not fitted"),
}

MOST_CHUNK_BYTES = 1 << 17  # twice the largest a writer makes; a packed chunk may unpack to a thousand times its bytes
MOST_TEXT_BYTES = 1 << 20  # of rig, plan, calibration or firmware; the longest of the demonstration is 9 KB
LONGEST_RUN_S = 48 * 3600.0  # frames and charts are laid out over the whole span, be there samples in it or not
LARGEST_VALUE = 1e12  # in a channel's own unit; a size that is beyond all sense is no reading
MOST_PULSES_PER_REV = 1000  # as in a rig file
PIECE_ROWS = 65536  # of a column that goes through memory at a time, a multiple of every chunk

EVENT_ROW = np.dtype([("time_s", "f8"), ("kind", "S8"), ("name", "S40"), ("detail", "S200")])
NOTE_ROW = np.dtype([("time_s", "f8"), ("text", "S400")])
COUNTER_ROW = np.dtype([("time_s", "f8"), ("name", "S32"), ("value", "f8")])
ENDING_ROW = np.dtype([("exit_status", "S40"), ("reason", "S400"), ("problems", "S4000")])
BLOCK_ROW = np.dtype([("column", "u1"), ("first", "u8"), ("rows", "u4"), ("crc32", "u4")])


@dataclass(frozen=True)
class Column:
    """One dataset: its path, type, what it means, and which column tells its times (empty when it has them itself)."""

    path: str
    dtype: np.dtype
    unit: str
    description: str
    time_base: str = ""


@dataclass(frozen=True)
class Stream:
    """Columns that grow together, row by row; the first tells the time. Chunk lengths while running and compacted."""

    name: str
    columns: tuple[Column, ...]
    live_rows: int
    compact_rows: int


def missing(dtype: np.dtype) -> float | int:
    """What stands in a column where there is no reading: NaN, the least signed, the greatest unsigned number."""
    if dtype.kind == "f":
        return float("nan")
    return int(np.iinfo(dtype).min if dtype.kind == "i" else np.iinfo(dtype).max)


def extra_column(name: str, unit: str, description: str) -> Column:
    """The column of an extra channel of an import; ``name`` is a plain word."""
    return _column(f"{EXTRA}/{name}", "f8", unit, description, "slow/time_s")


def streams(vibration_dtype: str = "f4", extra: tuple[Column, ...] = ()) -> tuple[Stream, ...]:
    """The streams of a recording; ``vibration_dtype`` is "f8" for imports, which must lose no digit.

    ``extra``: columns of extra channels, beside the slow ones.
    """
    tach = _column("tach/time_s", "f8", "s", "tach pulses, device clock from the start of the run")
    events = _column("events/rows", EVENT_ROW, "", "changes of state, trips, aborts, steps of the plan")
    notes = _column("notes/rows", NOTE_ROW, "", "what the operator wrote; long notes take several rows")
    counters = _column("counters/rows", COUNTER_ROW, "", "running totals of losses, of both ends of the link")
    return (
        Stream("slow", (*_slow_columns(), *extra), 512, 4096),
        Stream("tach", (tach,), 256, 4096),
        Stream("vibration", tuple(_vibration_columns(vibration_dtype)), 2048, 8192),
        Stream("events", (events,), 32, 256),
        Stream("notes", (notes,), 16, 64),
        Stream("counters", (counters,), 128, 1024),
    )


def _column(path: str, dtype: str | np.dtype, unit: str, description: str, time_base: str = "") -> Column:
    return Column(path, np.dtype(dtype), unit, description, time_base)


def _slow_columns() -> list[Column]:
    base = "slow/time_s"
    times = _column(base, "f8", "s", "time of the sample, device clock from the start of the run")
    values = [_column(f"slow/{name}", "f8", unit, text, base) for name, unit, text in SLOW_CHANNELS]
    counts = [_column(f"slow/counts/{name}", "i4", *COUNT_MEANING[name], base) for name in COUNTED]
    return [times, *values, *counts]


def _vibration_columns(dtype: str) -> list[Column]:
    base = "vibration/time_s"
    times = _column(base, "f8", "s", "time of the sample, device clock from the start of the run")
    index = _column("vibration/index", "u4", "1", "running number of the sample; a jump tells how many were lost", base)
    values = [_column(f"vibration/{name}", dtype, unit, text, base) for name, unit, text in VIBRATION_AXES]
    counts = [
        _column(f"vibration/counts/{name}", "i2", "counts", f"accelerometer, {text}", base)
        for name, _, text in VIBRATION_AXES
    ]
    return [times, index, *values, *counts]


@dataclass(frozen=True)
class Ending:
    """How a run ended; ``complete`` is False when nobody came to write it: power cut, crash, still running."""

    complete: bool = False
    exit_status: str = ""
    reason: str = ""
