"""The session's recording: created as soon as the device has said who it is, and fed from then on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine.actions import IdentityRecord, Outcome, Record
from whirlbench.session.process.writing import RunWriter, write

if TYPE_CHECKING:
    from whirlbench.session.process.handle import SessionSpec


class Logbook:
    """Keeps what comes before the device is known, then writes."""

    def __init__(self, spec: SessionSpec) -> None:
        self._spec = spec
        self._early: list[Record] = []
        self._recorder: RunWriter | None = None
        self._failed = False

    def keep(self, records: Sequence[Record]) -> None:
        """Adds records, which the recorder flushes twice a second; RecordingError when they cannot be written."""
        if self._failed:
            return
        if self._recorder is None:
            self._early.extend(records)
            identity = next((record for record in records if isinstance(record, IdentityRecord)), None)
            if identity is None:
                return
            self._recorder = create(self._spec.recording, self._attributes(identity))
            records, self._early = self._early, []
        write(self._recorder, records)

    def give_up(self) -> None:
        """No more writing; what is on the disk stays."""
        self._failed = True

    def close(self, outcome: Outcome) -> None:
        """Ends the recording with the session's outcome."""
        if self._recorder is not None:
            self._recorder.close(outcome.ending.value, outcome.reason)

    def _attributes(self, identity: IdentityRecord) -> RunAttributes:
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
