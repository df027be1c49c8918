"""Records of a session into the recording of its run: the one place where a session knows the format's writer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, Protocol

import numpy as np

from whirlbench.recording.attributes import RunAttributes
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Event
from whirlbench.session.engine import (
    CountersRecord,
    IdentityRecord,
    NoteRecord,
    Outcome,
    Record,
    SlowRecord,
    TachRecord,
    VibrationRecord,
)
from whirlbench.session.process.spec import SessionSpec


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
    NoteRecord: lambda writer, item: writer.add_note(item.time_s, item.text),
    CountersRecord: lambda writer, item: writer.add_counters(item.time_s, dict(item.values)),
}


def write(writer: RunWriter, records: Iterable[Record]) -> None:
    """Adds ``records`` to the recording, in order."""
    for record in records:
        _WRITE[type(record)](writer, record)


class RunRecording:
    """The recording of one session: created as soon as the device has said who it is, and fed from then on.

    What comes before that is kept and written then.
    """

    def __init__(self, spec: SessionSpec) -> None:
        self._spec = spec
        self._early: list[Record] = []
        self._writer: RunWriter | None = None
        self._failed = False

    def keep(self, records: Sequence[Record]) -> None:
        """Adds records, which the writer flushes twice a second; RecordingError when they cannot be written."""
        if self._failed:
            return
        if self._writer is None:
            from whirlbench.recording.files import create  # only a process that writes needs it

            self._early.extend(records)
            identity = next((record for record in records if isinstance(record, IdentityRecord)), None)
            if identity is None:
                return
            self._writer = create(self._spec.recording, self._header(identity))
            records, self._early = self._early, []
        write(self._writer, records)

    def give_up(self) -> None:
        """No more writing; what is on the disk stays."""
        self._failed = True

    def close(self, outcome: Outcome) -> None:
        """Ends the recording with the session's outcome."""
        if self._writer is not None:
            self._writer.close(outcome.ending.value, outcome.reason)

    def _header(self, identity: IdentityRecord) -> RunAttributes:
        spec = self._spec
        return RunAttributes.of_rig(
            parse_rig(spec.rig_text),
            spec.rig_text,
            plan_text=spec.plan_text,
            firmware=dict(identity.firmware),
            created=datetime.now(UTC).isoformat(timespec="seconds"),
            origin=spec.origin,
            random_seed=spec.random_seed,
        )
