"""Records of a session into the recording of its run, and what its two processes tell each other of that."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from itertools import groupby
from typing import Any, Protocol

import numpy as np

from whirlbench.samples import Event
from whirlbench.session.engine import (
    CountersRecord,
    IdentityRecord,
    Mark,
    Record,
    SlowRecord,
    TachRecord,
    VibrationRecord,
)


class RunWriter(Protocol):
    """What a session needs of the writer of a recording."""

    def add_slow(self, time_s: np.ndarray, values: dict[str, np.ndarray], counts: dict[str, np.ndarray]) -> None:
        """Slow samples."""

    def add_tach(self, time_s: np.ndarray) -> None:
        """Tach edges."""

    def add_vibration(self, first_time_s: float, period_s: float, first_index: int, counts: np.ndarray) -> None:
        """A block of accelerometer counts."""

    def add_event(self, event: Event) -> None:
        """An event."""

    def add_note(self, time_s: float, text: str) -> None:
        """The operator's words."""

    def add_counters(self, time_s: float, values: dict[str, int]) -> None:
        """Loss counters."""

    def flush(self) -> None:
        """Makes everything so far safe against a kill."""

    def close(self, exit_status: str, reason: str) -> None:
        """Ends the recording."""


_WRITE: dict[type, Callable[[RunWriter, Any], None]] = {
    SlowRecord: lambda writer, item: writer.add_slow(item.time_s, dict(item.values), dict(item.counts)),
    TachRecord: lambda writer, item: writer.add_tach(item.time_s),
    VibrationRecord: lambda writer, item: writer.add_vibration(
        item.first_time_s, item.period_s, item.first_index, item.counts
    ),
    Event: lambda writer, item: writer.add_event(item),
    IdentityRecord: lambda writer, item: None,  # stands in the header
    CountersRecord: lambda writer, item: writer.add_counters(item.time_s, dict(item.values)),
}


def pack(records: Iterable[Record]) -> bytes:
    """The records of one turn as bytes."""
    return pickle.dumps(tuple(records), pickle.HIGHEST_PROTOCOL)


def unpack(portion: Iterable[bytes]) -> list[Record]:
    """The records of several turns, in order."""
    return [record for packed in portion for record in pickle.loads(packed)]


def write(writer: RunWriter, records: Sequence[Record]) -> None:
    """Adds ``records`` to the recording, each stream in its order: slow samples first, so that an event has them."""
    for record in (*_slow_blocks(records), *(one for one in records if not isinstance(one, SlowRecord))):
        _WRITE[type(record)](writer, record)


def _slow_blocks(records: Iterable[Record]) -> Iterator[SlowRecord]:
    """The slow samples, which came turn by turn, in as few blocks as their channels allow: each one costs the same."""
    slow = (one for one in records if isinstance(one, SlowRecord))
    for _, alike in groupby(slow, key=lambda one: (tuple(one.values), tuple(one.counts))):
        first, *more = alike
        yield _joined([first, *more]) if more else first


def _joined(records: Sequence[SlowRecord]) -> SlowRecord:
    def column(name: str, of: Callable[[SlowRecord], Mapping[str, np.ndarray]]) -> np.ndarray:
        return np.concatenate([of(one)[name] for one in records])

    values = {name: column(name, lambda one: one.values) for name in records[0].values}
    counts = {name: column(name, lambda one: one.counts) for name in records[0].counts}
    return SlowRecord(np.concatenate([one.time_s for one in records]), values, counts)


Portion = tuple[int, list[bytes], Mark | None]  # number, records packed turn by turn, mark of the device's clock


class ReportKind(Enum):
    """What the recording process tells."""

    SAVED = auto()  # the portion of that number, and all before it, is on disk; text: what is wrong with the room
    FAILED = auto()  # nothing can be written any more; text: why
    CLOSED = auto()  # text: why not all was written, empty when all was
    PACKED = auto()  # text: why not, empty when it was


@dataclass(frozen=True)
class Report:
    """A word of the recording process; ``saved_s`` is the run time of the newest sample on disk."""

    kind: ReportKind
    number: int
    saved_s: float
    text: str = ""
