"""Opening recordings and finding the rig that belongs to them, for the verbs that judge runs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from whirlbench.errors import RigError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig, read_rig
from whirlbench.samples import Run


@contextmanager
def naming(path: Path | str | None) -> Iterator[None]:
    """Puts the file at ``path`` in front of a complaint about a rig key that a job needs; None adds nothing."""
    try:
        yield
    except RigError as error:
        if path is None or str(error).startswith(str(path)):
            raise
        raise RigError(f"{path}: {error}") from error


def open_run(path: Path, vibration: bool = True) -> Run:
    """The run in the recording at ``path``; ``vibration`` false for a verb that does not look at that stream."""
    from whirlbench.recording.files import read_run

    return read_run(path, vibration)


def rig_of(run: Run, path: Path | None) -> Rig | None:
    """The rig in the file at ``path``, else the one stored in the recording, else None."""
    if path is not None:
        return read_rig(path)[0]
    return parse_rig(run.rig_text, f"rig stored in {run.source}") if run.rig_text.strip() else None
