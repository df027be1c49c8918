"""Logs of one run as a run: slow channels and extra channels, vibration and tach pulses, and where all came from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.csv_exchange import AXIS_NAMES, SLOW_NAMES, uniform_rate_hz
from whirlbench.recording.csv_table import CsvTable
from whirlbench.recording.foreign.joining import FoundOffset, find_offset, joined
from whirlbench.recording.foreign.log_file import ForeignLog, Reading, read_log, unused_rules
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples

MOST_TEXT = 200  # letters of an event's detail


@dataclass(frozen=True)
class ImportedRun:
    """The run, the logs it came from, and by how much each joined one was shifted, by its file."""

    run: Run
    logs: tuple[ForeignLog, ...]
    offsets: dict[str, FoundOffset]


@dataclass(frozen=True)
class LogFiles:
    """Files of one run; ``offsets`` in s are added to the times of the file of that name, beside those found."""

    slow: Path
    joined: tuple[Path, ...] = ()
    vibration: Path | None = None
    tach: Path | None = None
    offsets: tuple[tuple[str, float], ...] = ()


def read_logs(
    files: LogFiles, reading: Reading, pulses_per_rev: int, rig_text: str = "", events: tuple[Event, ...] = ()
) -> ImportedRun:
    """The run in ``files``; RecordingError in one line when one of them cannot be read for certain."""
    others = [read_log(path, SLOW_NAMES, reading) for path in files.joined]
    has_rpm = any("rpm" in log.channels for log in others)
    base = read_log(files.slow, SLOW_NAMES, reading, () if has_rpm else ("rpm",))
    told = dict(files.offsets)
    _check_names(told, files)
    found = {}
    slow = base
    for log in others:
        given = _told(told, log.source)
        found[log.source] = find_offset(base, log) if given is None else FoundOffset(given, "as told")
        slow = joined(slow, log, found[log.source].offset_s)
    vibration = read_log(files.vibration, AXIS_NAMES, reading) if files.vibration else None
    tach = read_log(files.tach, (), reading) if files.tach else None
    logs = [base, *others, *(log for log in (vibration, tach) if log is not None)]
    _refuse_unused(reading, logs)
    shift_s = {log.source: _told(told, log.source) or 0.0 for log in logs}
    pulses_s = tach.times_s + shift_s[tach.source] if tach else np.empty(0)
    run = Run(
        slow=SlowSamples(slow.times_s, **slow.channels, extra=slow.extra),
        tach=TachPulses(pulses_s, pulses_per_rev),
        vibration=_vibration(vibration, shift_s[vibration.source]) if vibration else VibrationSamples(),
        events=(*events, *_provenance(logs, found, float(slow.times_s[0]))),
        source=str(files.slow),
        rig_text=rig_text,
    )
    return ImportedRun(run, tuple(logs), found)


def _told(offsets: dict[str, float], source: str) -> float | None:
    return offsets.get(source, offsets.get(Path(source).name))


def _check_names(offsets: dict[str, float], files: LogFiles) -> None:
    paths = [*files.joined, *(path for path in (files.vibration, files.tach) if path)]
    names = {name for path in paths for name in (str(path), path.name)}
    for name in offsets:
        if name not in names:
            raise RecordingError(
                f'--offset "{name}=…": there is no such file among {", ".join(map(str, paths)) or "none"}'
            )


def _refuse_unused(reading: Reading, logs: Sequence[ForeignLog]) -> None:
    unused = unused_rules(reading.rules, logs)
    if unused:
        headings = ", ".join(column.heading for log in logs for column in log.table.columns)
        raise RecordingError(f'--map "{unused[0]}=…": no file has a column of that heading; found {headings}')


def _vibration(log: ForeignLog, shift_s: float) -> VibrationSamples:
    if not log.channels:
        raise RecordingError(f'{log.source}: no column reads as vibration; add --map "COLUMN=ax_g" (or ay_g, az_g)')
    rate_hz = uniform_rate_hz(_NumberedTable(log.source, {"t_s": log.times_s}, log.table.rows))
    return VibrationSamples(log.times_s + shift_s, **log.channels, rate_hz=rate_hz)  # type: ignore[arg-type]


@dataclass(frozen=True)
class _NumberedTable(CsvTable):
    """Times whose rows are numbered already."""

    rows: np.ndarray

    def row_number(self, index: int) -> int:
        return int(self.rows[index])


def _provenance(logs: Sequence[ForeignLog], offsets: dict[str, FoundOffset], time_s: float) -> list[Event]:
    """What became of each file, for who reads the recording later: SHA-256, columns, offset, what was marked."""
    lines = []
    for log in logs:
        name = Path(log.source).name
        lines.append(f"{name}: SHA-256 {hashlib.sha256(Path(log.source).read_bytes()).hexdigest()}")
        lines += [
            f"{name}: {one.column.heading} read as {one.channel} ({one.unit})" for one in log.meanings if one.channel
        ]
        lines += [f"{name}: {offsets[log.source].text}"] if log.source in offsets else []
        lines += [f"{name}: {remark}" for remark in log.remarks]
    return [Event(time_s, "note", "import", line[:MOST_TEXT]) for line in lines]
