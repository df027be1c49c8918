"""The only place that opens recordings: new ones, whole ones, broken ones.

with create(path, RunAttributes.of_rig(rig, text)) as recorder:
    recorder.add_slow(time_s, values, counts)
run = read_run(path)
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.compact import write_anew
from whirlbench.recording.container import CHUNK_CACHE_BYTES
from whirlbench.recording.integrity import DAMAGE, first_line
from whirlbench.recording.layout import PIECE_ROWS, Ending
from whirlbench.recording.mending import SIGNATURE, MendedFile, seal
from whirlbench.recording.reader import Recording
from whirlbench.recording.writer import RecordingWriter, append_note
from whirlbench.rig.regular_file import open_regular
from whirlbench.samples import SLOW_CHANNELS, Run


def create(
    path: Path | str, attributes: RunAttributes, vibration_dtype: str = "f4", compact: bool = True
) -> RecordingWriter:
    """A new recording at ``path``, which must not exist; RecordingError otherwise.

    ``vibration_dtype``: "f4" carries accelerometer counts exactly, "f8" is for imports. ``compact=False`` leaves the
    file as it was written, for who has to be quick at the end.
    """
    return RecordingWriter(Path(path), attributes, vibration_dtype, compact_in_place if compact else None)


def open_recording(path: Path | str) -> Recording:
    """The recording at ``path``, also while it is written, after a crash, cut short or damaged.

    RecordingError when it is no recording, of a later format version, or damaged beyond reading.
    """
    path = Path(path)
    _check_signature(path)
    file, close = _open_file(path)
    try:
        return Recording(file, path, close)
    except DAMAGE as error:
        close()
        raise _damaged(path, error) from error
    except RecordingError:
        close()
        raise


def read_run(path: Path | str, vibration: bool = True) -> Run:
    """All of the recording at ``path`` as arrays, ``vibration`` if wanted; raises as ``open_recording``."""
    with open_recording(path) as recording:
        return recording.run(vibration)


def read_back(path: Path | str, attributes: RunAttributes) -> None:
    """RecordingError unless the recording that this process is writing at ``path`` is on disk, with ``attributes``.

    It is read apart from the library's own memory of the file, as another program would read it.
    """
    path = Path(path)
    _bring_to_disk(path)
    try:
        file, close = _open_mended(path)
        try:
            found = Recording(file, path, close).attributes
        finally:
            close()
    except DAMAGE as error:
        raise _damaged(path, error) from error
    for name in ("rig_text", "plan_text", "firmware", "created"):
        if getattr(found, name) != getattr(attributes, name):
            raise RecordingError(f"{path}: {name} reads back otherwise than it was written; try another disk")


def _bring_to_disk(path: Path) -> None:
    """The file and, where the system can, the entry of its name."""
    for place, flags in ((path, os.O_RDWR), (path.parent, os.O_RDONLY)):
        try:
            handle = os.open(place, flags)
        except OSError:  # a folder cannot be opened everywhere
            if place == path:
                raise
            continue
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def seal_broken(path: Path | str) -> None:
    """Makes the recording of a writer that died or gave up open in any HDF5 tool, as it is."""
    try:
        seal(Path(path))
    except OSError as error:
        raise RecordingError(f"{path}: cannot be mended ({error.strerror or error})") from error


def write_run(path: Path | str, run: Run, attributes: RunAttributes) -> None:
    """Writes ``run``, which never was in counts, to a new recording at ``path``, which must not exist."""
    path = Path(path)
    axes = {name: getattr(run.vibration, name) for name in run.vibration.axes()}
    dtype = "f4" if all(values.dtype == np.float32 for values in axes.values()) else "f8"
    extra = tuple(one[:3] for one in run.slow.extra)
    attributes = replace(attributes, counted=False, vibration_rate_hz=run.vibration.rate_hz, extra=extra)
    with create(path, attributes, dtype) as recorder:
        for part in _parts(run.slow.time_s):
            channels = {item.name: run.slow.channel(item.name)[part] for item in SLOW_CHANNELS}
            channels |= {one.name: one.values[part] for one in run.slow.extra}
            recorder.add_slow(run.slow.time_s[part], channels)
            recorder.flush()
        recorder.add_tach(run.tach.time_s)
        index = run.vibration.running_numbers()
        for part in _parts(run.vibration.time_s):
            values = {name: column[part] for name, column in axes.items()}
            recorder.add_vibration_g(run.vibration.time_s[part], values, index[part])
            recorder.flush()
        for event in run.events:
            recorder.add_event(event)


def _parts(column: np.ndarray) -> Iterator[slice]:
    """Rows that go through memory at a time."""
    return (slice(first, first + PIECE_ROWS) for first in range(0, len(column), PIECE_ROWS))


def recover(broken: Path | str, target: Path | str) -> tuple[str, ...]:
    """Writes what is whole in ``broken`` to the new file ``target``, which any HDF5 tool opens.

    Returns what is missing, one line each, empty when nothing is. ``broken`` is not touched.
    """
    target = Path(target)
    if os.path.lexists(target):
        raise RecordingError(f"{target}: already exists; choose another name")
    with open_recording(broken) as source:
        ending = source.ending
        kept = ending if ending.complete else Ending(True, "recovered", "the run was not closed")
        _write_atomically(source, target, kept)
        return source.problems


def add_note(path: Path | str, time_s: float, text: str) -> None:
    """Adds a note at ``time_s`` to a recording that was closed; nothing else in it changes.

    The recording is replaced once its copy with the note is complete and on disk. RecordingError when it is still being
    written or was never closed, when no sample is near ``time_s``, or when the copy cannot be written.
    """
    path = Path(path)
    with open_recording(path) as source:
        if not source.ending.complete:
            raise RecordingError(f"{path}: is being written or was never closed: `whirlbench recover` it first")
        time_span = source.run().slow.time_s[[0, -1]] if source.rows_of("slow") else (0.0, 0.0)
    if not time_span[0] <= time_s <= time_span[1]:
        raise RecordingError(
            f"{path}: {time_s:g} s is not within the run, which lasts from {time_span[0]:.2f} to {time_span[1]:.2f} s"
        )
    beside = _beside(path)
    try:
        shutil.copy2(path, beside)
        append_note(beside, time_s, text)
        with open(beside, "rb+") as written:
            os.fsync(written.fileno())
        os.replace(beside, path)
    except (OSError, RuntimeError, KeyError) as error:
        raise RecordingError(f"{path}: the note cannot be written ({first_line(error)}); it is unchanged") from error
    finally:
        beside.unlink(missing_ok=True)


def _beside(target: Path) -> Path:
    return target.with_name(f".{target.name}.{os.getpid()}.part")


def compact_in_place(path: Path) -> None:
    """Replaces a cleanly closed recording by its compacted form, once that is complete and on disk."""
    with open_recording(path) as source:
        packed = _write_beside(source, path, source.ending)
    os.replace(packed, path)


def _write_atomically(source: Recording, target: Path, ending: Ending) -> None:
    """Whole or not at all, and never over a file that came to be called so meanwhile."""
    beside = _write_beside(source, target, ending)
    try:
        _name_anew(beside, target)
    except FileExistsError as error:
        raise RecordingError(f"{target}: already exists; choose another name") from error
    finally:
        beside.unlink(missing_ok=True)


def _name_anew(beside: Path, target: Path) -> None:
    """Gives a file its name; FileExistsError when there is one of that name."""
    try:
        os.link(beside, target)
    except FileExistsError:
        raise
    except OSError:  # a disk on which a file has but one name: hold the name, then replace what holds it
        os.close(os.open(target, os.O_CREAT | os.O_EXCL))
        os.replace(beside, target)


def _write_beside(source: Recording, target: Path, ending: Ending) -> Path:
    """A complete copy on disk beside ``target``; nothing is left when it fails."""
    beside = _beside(target)
    try:
        write_anew(source, beside, ending)
        with open(beside, "rb+") as written:
            os.fsync(written.fileno())
    except (OSError, RuntimeError) as error:
        beside.unlink(missing_ok=True)
        raise RecordingError(f"{target}: cannot be written ({error}); {source.path} is unchanged") from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    return beside


def _check_signature(path: Path) -> None:
    with open_regular(path, RecordingError) as file:
        first = file.read(len(SIGNATURE))
    if first != SIGNATURE:
        what = "is empty" if not first else "is not a recording (no HDF5 signature)"
        raise RecordingError(f"{path}: {what}; `whirlbench import` makes one from CSV files")


def _open_file(path: Path) -> tuple[h5py.File, Callable[[], None]]:
    """The open file and what closes it: a whole file plainly, a running one beside its writer, a broken one mended."""
    try:
        file = h5py.File(path, "r", rdcc_nbytes=CHUNK_CACHE_BYTES)
        return file, file.close
    except DAMAGE as error:
        is_running = "lock file" in str(error)  # its writer holds it; there is no other sign of life
    try:
        if is_running:
            file = h5py.File(path, "r", swmr=True, rdcc_nbytes=CHUNK_CACHE_BYTES)
            return file, file.close
        return _open_mended(path)
    except DAMAGE as error:
        raise _damaged(path, error) from error


def _open_mended(path: Path) -> tuple[h5py.File, Callable[[], None]]:
    mended = MendedFile(path)
    try:
        file = h5py.File(mended, "r", rdcc_nbytes=CHUNK_CACHE_BYTES)
    except DAMAGE:
        mended.close()
        raise

    def close() -> None:
        file.close()
        mended.close()

    return file, close


def _damaged(path: Path, error: BaseException) -> RecordingError:
    return RecordingError(f"{path}: the structure of the file is damaged, nothing can be read ({first_line(error)})")
