"""`whirlbench recover`: what is whole in a broken recording, as a file that any HDF5 tool opens."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("broken", metavar="BROKEN.h5", type=FILE)
@click.option("-o", "--output", "target", metavar="OUT.h5", type=FILE, required=True, help="The file to write.")
def command(broken: Path, target: Path) -> None:
    """Writes all that is whole in BROKEN.h5 to OUT.h5 and says what is missing; BROKEN.h5 is not touched.

    Not needed by whirlbench itself, which reads broken recordings as they are.
    """
    from whirlbench.recording.files import read_run, recover

    problems = recover(broken, target)
    run = read_run(target)
    click.echo(f"{target}: {run.duration_s():.1f} s, {len(run.slow.time_s)} slow samples, {len(run.events)} events")
    for problem in problems:
        click.echo(f"  missing: {problem}")
    if not problems:
        click.echo("  nothing was missing")
