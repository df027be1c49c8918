"""The live view: what a session shows its surface, in shared memory.

The session's process writes, the window or terminal reads whenever it likes; neither ever waits for the other. The
surface's sign of life goes the opposite way through the same memory.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from multiprocessing.shared_memory import SharedMemory
from typing import Any

import numpy as np

from whirlbench.link.limit_table import LimitId
from whirlbench.rig.limits import TRENDS
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Event, Run, SlowSamples, VibrationSamples
from whirlbench.session.engine import Ending, Outcome, Progress, Record, SlowRecord, VibrationRecord
from whirlbench.session.process.shared_rows import Rows, SharedRows

SLOW_HZ, VIBRATION_HZ = 500, 3200  # the most that a device sends
SLOW_ROWS = 60_000  # 120 s at 500/s
VIBRATION_ROWS = 393_216  # 120 s at 3.2 kHz
ENVELOPE_ROWS = 24_576  # 120 s of blocks of 16 samples at 3.2 kHz
EVENT_ROWS = 512
VALUE_NAMES = (
    *(channel.name for channel in SLOW_CHANNELS), "vibration_g_rms", "recorder_lag_s", *(trend.key for trend in TRENDS)
)  # fmt: skip
SLOTS = tuple(slot.name for slot in LimitId)
COUNTER_NAMES = ("good", "bad", "unknown", "lost", "noise_bytes", "stale", "heartbeats", "longest_turn_us")

STATUS = np.dtype(
    [
        ("version", "i8"),  # odd while the session writes
        ("phase", "S32"), ("state", "S16"), ("reason", "S64"), ("step_text", "S32"),
        ("message", "S480"), ("withheld", "S120"), ("time_s", "f8"), ("step", "i4"), ("steps", "i4"), ("waits", "?"),
        ("values", "f8", (len(VALUE_NAMES),)), ("counters", "i8", (len(COUNTER_NAMES),)),
        ("held", "i8", (len(SLOTS),)),  # zero: off, or not known
        ("ending", "S16"), ("ending_reason", "S800"), ("saved", "S480"),
    ]
)  # fmt: skip
EVENT = np.dtype([("time_s", "f8"), ("kind", "S8"), ("name", "S48"), ("detail", "S480")])
VIBRATION = np.dtype([("time_s", "f8"), ("g", "f4", (3,))])
ENVELOPE = np.dtype([("time_s", "f8"), ("low_g", "f4", (3,)), ("high_g", "f4", (3,))])
SLOW = np.dtype(("f8", (1 + len(SLOW_CHANNELS),)))
STREAMS = ("slow", "vibration", "envelope", "events")
COUNTS = np.dtype([("surface", "i8"), *((stream, "i8", (2,)) for stream in STREAMS)])
PARTS = {
    "status": (STATUS, 1),
    "counts": (COUNTS, 1),
    "slow": (SLOW, SLOW_ROWS),
    "vibration": (VIBRATION, VIBRATION_ROWS),
    "envelope": (ENVELOPE, ENVELOPE_ROWS),
    "events": (EVENT, EVENT_ROWS),
}
ALIGN = 64


def _layout() -> tuple[dict[str, int], int]:
    """Offset of each part and the size of all."""
    offsets, size = {}, 0
    for name, (dtype, rows) in PARTS.items():
        offsets[name] = size
        size += -(-dtype.itemsize * rows // ALIGN) * ALIGN
    return offsets, size


class SharedView:
    """The memory itself; ``name`` None creates it, and whoever created it has to ``unlink`` it."""

    def __init__(self, name: str | None = None) -> None:
        offsets, size = _layout()
        self._memory = SharedMemory(name, create=name is None, size=size)
        self.name = self._memory.name
        parts = {
            part: np.ndarray((rows,), dtype, self._memory.buf, offsets[part]) for part, (dtype, rows) in PARTS.items()
        }
        self._status, self._counts = parts["status"], parts["counts"]
        self._rows = {stream: SharedRows(parts[stream], self._counts[stream][0]) for stream in STREAMS}

    # --- the surface's side -------------------------------------------------------------------------------------------

    def heard(self) -> None:
        """The surface's sign of life, at least ten times a second, from what would stop if the surface hung."""
        self._counts["surface"][0] += 1

    def progress(self) -> Progress:
        """Where the session stands."""
        row = self._read_status()
        values = dict(zip(VALUE_NAMES, row["values"].tolist(), strict=True))
        return Progress(
            phase=_text(row["phase"]),
            state=_text(row["state"]),
            reason=_text(row["reason"]),
            time_s=float(row["time_s"]),
            step=int(row["step"]),
            steps=int(row["steps"]),
            step_text=_text(row["step_text"]),
            values=values,
            counters=dict(zip(COUNTER_NAMES, row["counters"].tolist(), strict=True)),
            waits=bool(row["waits"]),
            withheld=_text(row["withheld"]),
            message=_text(row["message"]),
            held={name: value for name, value in zip(SLOTS, row["held"].tolist(), strict=True) if value},
        )

    def outcome(self) -> Outcome | None:
        """How the session ended; None while it goes on."""
        row = self._read_status()
        if not row["ending"]:
            return None
        return Outcome(Ending(_text(row["ending"])), _text(row["ending_reason"]), _text(row["saved"]))

    @property
    def version(self) -> int:
        """Grows with each status that is shown: the sign of life of whoever shows it."""
        return int(self._status["version"][0])

    def _read_status(self) -> np.void:
        row: np.void = self._status[0].copy()
        for _ in range(1000):
            before = int(self._status["version"][0])
            row = self._status[0].copy()
            if before % 2 == 0 and before == int(self._status["version"][0]):
                break
        return row

    def slow_since(self, count: int) -> Rows:
        """Slow samples after the first ``count``: rows of time_s, then the channels in the order of SLOW_CHANNELS."""
        return self._rows["slow"].since(count)

    def vibration_since(self, count: int) -> Rows:
        """Vibration samples after the first ``count``: records of time_s and g (3,), NaN for an axis not fitted."""
        return self._rows["vibration"].since(count)

    def envelope_since(self, count: int) -> Rows:
        """Extremes of each vibration block after the first ``count``: records of time_s, low_g (3,), high_g (3,)."""
        return self._rows["envelope"].since(count)

    def events(self) -> tuple[Event, ...]:
        """The latest events, oldest first."""
        return self.events_since(0)[1]

    def events_since(self, count: int) -> tuple[int, tuple[Event, ...]]:
        """The count to ask with next time, and the events after the first ``count``, as far as they are still kept."""
        found = self._rows["events"].since(count)
        events = (
            Event(float(row["time_s"]), *(_text(row[key]) for key in ("kind", "name", "detail"))) for row in found.rows
        )
        return found.total, tuple(events)

    def tail(self, seconds: float, vibration: bool = True) -> Run:
        """The last ``seconds`` as a run like any recorded one; ``vibration`` false leaves that stream out."""
        slow = self._rows["slow"].tail(int(seconds * SLOW_HZ) + 1)
        end_s = slow[-1, 0] if len(slow) else 0.0
        slow = slow[np.searchsorted(slow[:, 0], end_s - seconds) :]
        channels: dict[str, Any] = {
            channel.name: slow[:, place] for place, channel in enumerate(SLOW_CHANNELS, start=1)
        }
        shaken = self._vibration_tail(end_s - seconds, seconds) if vibration else VibrationSamples()
        return Run(slow=SlowSamples(slow[:, 0], **channels), vibration=shaken, events=self.events(), source="live")

    def _vibration_tail(self, from_s: float, seconds: float) -> VibrationSamples:
        rows = self._rows["vibration"].tail(int((seconds + 1.0) * VIBRATION_HZ))
        rows = rows[np.searchsorted(rows["time_s"], from_s) :]
        rate_hz = 1.0 / float(np.median(np.diff(rows["time_s"]))) if len(rows) > 1 else 0.0
        axes: dict[str, Any] = {axis.name: rows["g"][:, place] for place, axis in enumerate(VIBRATION_AXES)}
        return VibrationSamples(rows["time_s"], **axes, rate_hz=rate_hz)

    # --- the session's side -------------------------------------------------------------------------------------------

    @property
    def surface_count(self) -> int:
        """How often the surface was heard."""
        return int(self._counts["surface"][0])

    def show(self, records: Iterable[Record], g_per_count: float) -> None:
        """Puts new records into the shared rows."""
        for record in records:
            if isinstance(record, SlowRecord):
                columns = [record.time_s, *(record.values[channel.name] for channel in SLOW_CHANNELS)]
                self._rows["slow"].write(np.array(columns).T)
            elif isinstance(record, VibrationRecord):
                self._show_vibration(record, g_per_count)
            elif isinstance(record, Event):
                told = (_bytes(getattr(record, key), EVENT[key].itemsize) for key in ("kind", "name", "detail"))
                self._rows["events"].write(np.array([(record.time_s, *told)], dtype=EVENT))

    def _show_vibration(self, record: VibrationRecord, g_per_count: float) -> None:
        length, axes = record.counts.shape
        rows, extremes = np.empty(length, dtype=VIBRATION), np.empty(1, dtype=ENVELOPE)
        g = rows["g"]
        g[:, axes:] = np.nan
        np.multiply(record.counts, g_per_count, out=g[:, :axes], casting="same_kind")
        rows["time_s"] = record.first_time_s + record.period_s * np.arange(length)
        extremes["time_s"] = record.first_time_s
        extremes["low_g"], extremes["high_g"] = g.min(axis=0), g.max(axis=0)
        self._rows["vibration"].write(rows)
        self._rows["envelope"].write(extremes)

    def show_progress(self, progress: Progress, outcome: Outcome | None = None) -> None:
        """Replaces the status row."""
        row = self._status[0]
        with self._writing():
            for key in ("phase", "state", "reason", "step_text", "message", "withheld"):
                row[key] = _bytes(getattr(progress, key), STATUS[key].itemsize)
            for key in ("time_s", "step", "steps", "waits"):
                row[key] = getattr(progress, key)
            row["values"] = [progress.values.get(name, np.nan) for name in VALUE_NAMES]
            row["counters"] = [progress.counters.get(name, 0) for name in COUNTER_NAMES]
            row["held"] = [progress.held.get(name, 0) for name in SLOTS]
            if outcome is not None:
                row["ending"] = outcome.ending.encode()
                for key, text in (("ending_reason", outcome.reason), ("saved", outcome.saved)):
                    row[key] = _bytes(text, STATUS[key].itemsize)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        self._status["version"][0] += 1 + self._status["version"][0] % 2  # odd already: its writer died over it
        try:
            yield
        finally:
            self._status["version"][0] += 1

    # --- both ---------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Lets go of the memory; the arrays must not be used afterwards."""
        self._rows, self._status, self._counts = {}, np.zeros(1, STATUS), np.zeros(1, COUNTS)
        self._memory.close()

    def unlink(self) -> None:
        """Removes the memory once everyone has closed it; harmless when it is gone."""
        with contextlib.suppress(FileNotFoundError):
            self._memory.unlink()


def _text(value: bytes) -> str:
    return bytes(value).decode(errors="replace")


def _bytes(text: str, size: int) -> bytes:
    """``text`` in at most ``size`` bytes; three dots say that it was cut, which never splits a character."""
    raw = text.encode()
    return raw if len(raw) <= size else raw[: size - 3].decode(errors="ignore").encode() + b"..."
