"""The session's recording: created as soon as the device has said who it is, and fed from then on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from bench.link.messages import Board
from bench.recording.files import create
from bench.recording.layout import RunHeader
from bench.session.actions import Outcome, Record
from bench.session.engine import Engine
from bench.session.writing import RunWriter, write

if TYPE_CHECKING:
    from bench.session.runner import SessionSpec


class Logbook:
    """Keeps what comes before the device is known, then writes; without a path it keeps nothing."""

    def __init__(self, spec: SessionSpec, engine: Engine) -> None:
        self._spec, self._engine = spec, engine
        self._early: list[Record] = []
        self._recorder: RunWriter | None = None
        self._failed = not spec.recording

    def keep(self, records: Iterable[Record]) -> None:
        """Adds records, which the recorder flushes twice a second; RecordingError when they cannot be written."""
        if self._failed:
            return
        if self._recorder is None:
            self._early.extend(records)
            if not self._engine.conversation.identified:
                return
            self._recorder = create(self._spec.recording, self._header())
            records, self._early = self._early, []
        write(self._recorder, records)

    def give_up(self) -> None:
        """No more writing; what is on the disk stays."""
        self._failed = True

    def close(self, outcome: Outcome) -> None:
        """Ends the recording with the session's outcome."""
        if self._recorder is not None:
            self._recorder.close(outcome.ending.value, outcome.reason)

    def _header(self) -> RunHeader:
        spec = self._spec
        return RunHeader.of_rig(
            self._engine.rig,
            spec.rig_text,
            plan_text=spec.plan_text,
            firmware=firmware_identity(self._engine),
            created=datetime.now(UTC).isoformat(timespec="seconds"),
            origin=spec.origin,
            random_seed=spec.random_seed,
        )


def firmware_identity(engine: Engine) -> dict[str, str | int]:
    """What the device said of itself, by name; empty before it did."""
    hello = engine.conversation.hello
    if hello is None:
        return {}
    known = {board.value: board.name.lower() for board in Board}
    return {
        "board": known.get(hello.board, f"board {hello.board}"),
        "firmware": f"{hello.firmware_major}.{hello.firmware_minor}",
        "build_id": f"{hello.build_id:08x}",
        "protocol": hello.protocol,
        "slow_rate_hz": hello.slow_rate_hz,
        "vibration_rate_hz": hello.vibration_rate_hz,
        "vibration_axes": hello.vibration_axes,
        "restart_cause": hello.restart_cause,
    }
