"""What runs inside the recording process: the file of the run, and, when the session dies, its coast-down.

It outlives whatever ends a session: signals of the terminal and of a shutdown are ignored; it ends when its pipe ends,
with everything written that came through it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import compact_in_place, create, read_back, seal_broken
from whirlbench.recording.layout import streams
from whirlbench.recording.writer import RecordingWriter
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.state_table import Stand
from whirlbench.samples import Event
from whirlbench.session.engine import Ending, IdentityRecord, Mark, Outcome, Progress, Record, StandWatch, Telemetry
from whirlbench.session.process.coast_down import CoastDown
from whirlbench.session.process.live_view import SharedView
from whirlbench.session.process.record_writing import Portion, Report, ReportKind, unpack, write
from whirlbench.session.process.spec import SessionSpec

FLUSH_S = 0.25  # of the computer's clock, beside the writer's own by the clock of the data
COAST_S = 180.0  # of coast-down for which there has to be room on the disk, as long as a session records one
ALLOWANCE = 1.3  # for tach, events, counters and what the file needs besides its rows
PROBE_BYTES = 262_144  # more than the header of a recording
COPIES = 2  # a clean close writes the file anew beside itself
DIED = "the session's process died"


class RunRecording:
    """The recording of one session: begun as soon as the device has said who it is, and fed from then on.

    What comes before that is kept and written then. ``path`` is None while nothing is begun.
    """

    def __init__(self, spec: SessionSpec) -> None:
        self._spec = spec
        self._early: list[Record] = []
        self._writer: RecordingWriter | None = None
        self._failed = False
        self._file: tuple[int, int] = (0, 0)  # device and number of the file that was begun, whatever its name then
        self.bytes_per_s = 0.0

    @property
    def begun(self) -> bool:
        """Whether the file is on disk with its header, and was read back."""
        return self._writer is not None

    @property
    def saved_s(self) -> float:
        """Run time of the newest sample on disk."""
        return self._writer.saved_s if self._writer is not None else 0.0

    def keep(self, records: Sequence[Record]) -> None:
        """Adds records, which the writer flushes twice a second; RecordingError when they cannot be written."""
        if self._failed:
            return
        if self._writer is None:
            self._early.extend(records)
            identity = next((record for record in records if isinstance(record, IdentityRecord)), None)
            if identity is None:
                return
            self._writer = self._begin(identity)
            records, self._early = self._early, []
        write(self._writer, records)

    def flush(self) -> None:
        """Brings everything so far to the file; RecordingError when that cannot be done."""
        if self._writer is not None and not self._failed:
            self._writer.flush()

    def check_room(self) -> str:
        """What is wrong with the room on the disk, while it still holds a coast-down; empty when nothing is."""
        free, least = free_bytes(self._spec.recording), self.bytes_per_s * COAST_S
        if self._writer is None or free >= least:
            return ""
        return f"only {free / 1e6:.1f} MB are free on the disk, a coast-down needs {least / 1e6:.1f}"

    def give_up(self) -> None:
        """No more writing; what is on the disk stays, and any HDF5 tool opens it."""
        if self._writer is not None and not self._failed:
            with contextlib.suppress(RecordingError):  # the failure itself has been told
                seal_broken(self._spec.recording)
        self._failed = True

    def close(self, outcome: Outcome) -> None:
        """Ends the recording with the session's outcome; RecordingError when that cannot be written."""
        if self._writer is not None and not self._failed:
            self._writer.close(outcome.ending.value, outcome.reason)

    def pack(self) -> None:
        """Compacts the closed file, unless another one has its name by now; RecordingError when there is no room."""
        if self._writer is None or self._failed:
            return
        if file_number(self._spec.recording) != self._file:
            raise RecordingError(f"{self._spec.recording}: was moved or replaced meanwhile")
        compact_in_place(Path(self._spec.recording))

    def _begin(self, identity: IdentityRecord) -> RecordingWriter:
        attributes, path = self._attributes(identity), self._spec.recording
        self.bytes_per_s = bytes_per_s(identity.firmware)
        least = self.bytes_per_s * (self._spec.longest_s() + COAST_S) * COPIES
        probe_disk(path)
        writer = create(path, attributes, compact=False)  # a place where nothing can be written says so itself
        if free_bytes(path) < least:
            self._withdraw(writer)
            raise RecordingError(
                f"{path}: {free_bytes(path) / 1e6:.0f} MB are free on the disk, a run of this plan may need "
                f"{least / 1e6:.0f}: make room, or record elsewhere"
            )
        read_back(path, attributes)
        self._file = file_number(path)
        return writer

    def _withdraw(self, writer: RecordingWriter) -> None:
        """Takes back a file that was just begun and holds nothing of any run."""
        with contextlib.suppress(RecordingError):
            writer.close()
        Path(self._spec.recording).unlink(missing_ok=True)

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
            clearance=spec.clearance.record if spec.clearance is not None else "",
        )


def bytes_per_s(firmware: Mapping[str, str | int]) -> float:
    """Bytes a second that a device fills, by the rates it told; tach, events and counters are within the allowance."""
    rates_hz = {"slow": firmware.get("slow_rate_hz", 0), "vibration": firmware.get("vibration_rate_hz", 0)}
    rows = {one.name: sum(column.dtype.itemsize for column in one.columns) for one in streams()}
    return ALLOWANCE * sum(float(rate_hz) * rows[name] for name, rate_hz in rates_hz.items())


def probe_disk(path: Path | str) -> None:
    """RecordingError unless a file can be begun and filled beside ``path``: what writes HDF5 crashes on a full disk."""
    probe = Path(path).with_name(f".{Path(path).name}.{os.getpid()}.probe")
    try:
        with open(probe, "xb") as file:
            file.write(bytes(PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written ({(error.strerror or str(error)).lower()})") from error
    finally:
        with contextlib.suppress(OSError):
            probe.unlink()


def free_bytes(path: Path | str) -> float:
    """Free bytes where ``path`` lies; no end of them where nobody can tell."""
    try:
        return float(shutil.disk_usage(Path(path).absolute().parent).free)
    except OSError:
        return float("inf")


def file_number(path: Path | str) -> tuple[int, int]:
    """What tells a file from another of the same name."""
    try:
        found = os.stat(path)
    except OSError as error:
        raise RecordingError(f"{path}: is not there any more ({error.strerror or error})") from error
    return found.st_dev, found.st_ino


class RecordingProcess:
    """Takes portions from the pipe until the outcome comes or nobody is left to send one."""

    def __init__(self, spec: SessionSpec, pipe: Connection, view_name: str) -> None:
        self._spec, self._pipe, self._view_name = spec, pipe, view_name
        self._recording = RunRecording(spec)
        self._begun = False
        self._failure = ""
        self._number = 0  # of the latest portion
        self._mark: Mark | None = None  # where the device's clock stood with it
        self._flushed_at_s = time.monotonic()
        self._stand = ""  # the device's state and trip, as recorded
        self._tripped = False

    def run(self) -> int:
        """Writes to the end; returns the exit code of the process."""
        while True:
            try:
                portion: Portion | Outcome | None = self._pipe.recv() if self._pipe.poll(FLUSH_S) else None
            except (EOFError, OSError):
                self._outlive_session()
                break
            if isinstance(portion, Outcome):
                self._close(portion)
                break
            if portion is not None:
                self._keep(portion)
            self._flush_when_due()
        return 1 if self._failure else 0

    def _keep(self, portion: Portion) -> None:
        self._number, packed, self._mark = portion
        records = unpack(packed)
        for record in records:
            if isinstance(record, Event):
                self._stand = record.name if record.kind == "state" else self._stand
                self._tripped = self._tripped or record.kind in ("trip", "abort")
        try:
            self._recording.keep(records)
        except RecordingError as error:
            self._fail(error)
        except Exception as error:  # a fault of ours: this process has no other voice than its reports
            self._fail(RecordingError(f"{type(error).__name__}: {error}"))

    def _flush_when_due(self) -> None:
        due = time.monotonic() - self._flushed_at_s >= FLUSH_S or self._begun != self._recording.begun
        if not due or not self._recording.begun or self._failure:
            return
        try:
            self._recording.flush()
        except RecordingError as error:
            self._fail(error)
            return
        self._flushed_at_s, self._begun = time.monotonic(), True
        self._report(ReportKind.SAVED, self._recording.check_room())

    def _fail(self, error: RecordingError) -> None:
        self._failure = self._failure or str(error)
        self._recording.give_up()
        self._report(ReportKind.FAILED, str(error))

    def _report(self, kind: ReportKind, text: str = "") -> None:
        with contextlib.suppress(OSError):  # the session has died: the pipe's end is met by the next look at it
            self._pipe.send(Report(kind, self._number, self._recording.saved_s, text))

    def _close(self, outcome: Outcome) -> None:
        try:
            self._recording.close(outcome)
        except RecordingError as error:
            self._fail(error)
        self._report(ReportKind.CLOSED, self._failure)
        try:
            self._recording.pack()
        except RecordingError as error:
            self._report(ReportKind.PACKED, f"not compacted: {error}")
        else:
            self._report(ReportKind.PACKED)

    def _outlive_session(self) -> None:
        """Nobody is left but this process: the coast-down first, then the file, then the word to the surface."""
        view = self._open_view()
        said = self._record_coast_down(view)
        self._close(Outcome(Ending.FAILED, "; ".join(part for part in (DIED, said) if part)))
        reason = "; ".join(part for part in (DIED, said, self._failure) if part)
        if view is not None:
            saved = f"saved to {self._recording.saved_s:.2f} s" if self._recording.begun else ""
            view.show_progress(view.progress(), Outcome(Ending.FAILED, reason, saved))
            view.close()

    def _open_view(self) -> SharedView | None:
        try:
            return SharedView(self._view_name) if self._view_name else None
        except OSError:  # the surface is gone as well
            return None

    def _record_coast_down(self, view: SharedView | None) -> str:
        """Records to rest what the device still sends; returns what became of it, empty when nothing turned."""
        if self._stand not in ("armed", "turning", "tripped") or self._failure or self._mark is None:
            return ""
        rig = parse_rig(self._spec.rig_text)
        watch = StandWatch.of(rig)
        watch.state = Stand[self._stand.upper()]
        telemetry = Telemetry(rig)
        telemetry.resume(self._mark)
        if self._tripped:
            watch.tripped_at_s = telemetry.time_s

        def keep(records: Sequence[Record]) -> None:
            self._recording.keep(records)
            if view is not None:
                view.show(records, rig.vibration.g_per_count)
            if time.monotonic() - self._flushed_at_s >= FLUSH_S:
                self._flushed_at_s = time.monotonic()
                self._recording.flush()

        def tell(text: str) -> None:
            if view is not None:
                values = telemetry.latest
                state = watch.state.name.lower() if watch.state is not None else ""
                message = f"{DIED}; {text}"
                progress = Progress("coasting down", state, time_s=telemetry.time_s, values=values, message=message)
                view.show_progress(progress)

        try:
            return CoastDown(self._spec, telemetry, watch, keep, tell).record()
        except RecordingError as error:
            self._fail(error)
            return "its coast-down could not be written"
