"""Opening recordings and finding the rig that belongs to them, for the verbs that judge runs."""

from __future__ import annotations

from pathlib import Path

from bench.rig.description import Rig
from bench.rig.toml import parse_rig, read_rig
from bench.samples import Run


def open_run(path: Path) -> Run:
    """The run in the recording at ``path``."""
    from bench.recording.files import read_run

    return read_run(path)


def rig_of(run: Run, path: Path | None) -> Rig | None:
    """The rig in the file at ``path``, else the one stored in the recording, else None."""
    if path is not None:
        return read_rig(path)[0]
    return parse_rig(run.rig_text, f"rig stored in {run.source}") if run.rig_text.strip() else None
