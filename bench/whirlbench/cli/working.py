"""What a verb is working out, on stderr: a line that goes at a terminal, a line for each slow stage anywhere else."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

LINE_EVERY_S = 2.0  # our choice: quick work tells nothing in a file or a pipe
Told = Callable[[str], None]


@contextmanager
def working(quiet: bool, clock: Callable[[], float] = time.monotonic) -> Iterator[Told]:
    """Gives what takes the title of the stage that begins; ``quiet``: nothing is shown, as beside ``--json``.

    Where stderr is no terminal, a stage is a line with the seconds gone by, no sooner than two seconds after the last.
    """
    from rich.console import Console

    console = Console(stderr=True)
    if quiet:
        yield lambda title: None
    elif not console.is_terminal:
        yield _lines(clock)
    else:
        from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

        columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
        with Progress(*columns, transient=True, console=console) as bar:
            task = bar.add_task("reading")
            yield lambda title: bar.update(task, description=title)


def _lines(clock: Callable[[], float]) -> Told:
    begun_s = told_s = clock()

    def told(title: str) -> None:
        nonlocal told_s
        now_s = clock()
        if now_s - told_s >= LINE_EVERY_S:
            told_s = now_s
            click.echo(f"{now_s - begun_s:.0f} s: {title} ...", err=True)

    return told
