"""`whirlbench note`: a note on a recorded run, at a moment of it, kept in the recording."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from whirlbench.cli.number import Number
from whirlbench.errors import BenchError

FILE = click.Path(dir_okay=False, path_type=Path)
LONGEST_NOTE = 2000  # characters


@click.command()
@click.argument("recording", metavar="RECORDING", type=FILE)
@click.argument("text")
@click.option("--at", "at_s", type=Number(least=0.0), help="Moment in seconds of the run; absent: its end.")
@click.option("--by", "operator", default="", help="Who makes the note.")
def command(recording: Path, text: str, at_s: float | None, operator: str) -> int:
    """Add TEXT to RECORDING as a note at a moment of the run; replay and diagnosis show it there.

    Nothing else in the recording changes. A recording that was never closed has to be recovered first.
    """
    from whirlbench.recording.files import add_note, read_run

    if not text.strip() or len(text) > LONGEST_NOTE:
        raise BenchError(f"a note has 1 to {LONGEST_NOTE} characters, not {len(text.strip())}")
    if at_s is None:
        times_s = read_run(recording).slow.time_s
        at_s = float(times_s[-1]) if len(times_s) else 0.0
    signed = f"{operator}: {text}" if operator else text
    add_note(recording, at_s, f"{signed} (noted {datetime.now(UTC):%Y-%m-%dT%H:%M}Z)")
    click.echo(f"{recording}: note at {at_s:.2f} s")
    return 0
