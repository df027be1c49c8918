"""Where a live run is recorded, and how its end is told: for the verbs that run a stand."""

from __future__ import annotations

import contextlib
import os
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.errors import RecordingError

if TYPE_CHECKING:
    from whirlbench.session.engine import Outcome


def new_recording(output: Path | str | None, kind: str = "run") -> Path:
    """Path of the recording to be: ``output``, else a name from ``kind``, date and time in the working folder.

    RecordingError when it exists already or its folder does not: better now than once a propeller turns.
    """
    path = Path(output) if output else Path(datetime.now().strftime(f"{kind}-%Y%m%d-%H%M%S.h5"))
    if path.exists():
        raise RecordingError(f"{path}: already exists; choose another name with -o")
    if not path.parent.is_dir():
        raise RecordingError(f"{path}: there is no folder {path.parent}; create it or choose another with -o")
    return path


def tell_outcome(outcome: Outcome, recording: Path) -> None:
    """One line on how the run ended, on stderr unless it was as planned; where, and to which second, it is recorded."""
    from whirlbench.cli.output import one_line
    from whirlbench.results.labels import spoken

    reason = f": {one_line(spoken(outcome.reason))}" if outcome.reason else ""
    tell(f"whirlbench: {outcome.ending}{reason}", err=outcome.exit_status != 0)
    if outcome.saved:
        tell(f"recording: {recording}, {one_line(outcome.saved)}")


def tell(text: str, err: bool = False) -> None:
    """A line to whoever is still there: a terminal that is gone must not change how the run ended."""
    stream = sys.stderr if err else sys.stdout
    try:
        click.echo(text, file=stream)
        stream.flush()
    except OSError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # nor may the flush at the end of the program
