"""`whirlbench report`: one self-contained page of a run, or of several side by side."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.output import CANNOT_ANSWER, DONE, json_option, one_line, print_json, print_summary, write_text
from whirlbench.cli.run_input import naming
from whirlbench.cli.working import working
from whirlbench.errors import BenchError

if TYPE_CHECKING:
    from whirlbench.log import Entry
    from whirlbench.results.report import RecordedRun, Report
    from whirlbench.rig.description import Rig

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=FILE, metavar="RECORDING...")
@click.option(
    "-o", "--output", "target", type=FILE, metavar="OUT.html", help="The page; absent: RECORDING.html beside it."
)
@click.option("--rig", "rig_path", type=FILE, help="Rig that judges; absent: the one stored in each recording.")
@click.option("--question", default="", help="What the run was to answer, in a sentence.")
@click.option(
    "--log",
    "log_path",
    type=FILE,
    envvar="WHIRLBENCH_LOG",
    help="Log of blade sets, for check-list, inspections and sums.",
)
@json_option
def command(
    recordings: tuple[Path, ...], target: Path | None, rig_path: Path | None, question: str, log_path: Path | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Writes all that can be said of RECORDING as one page to hand on: it prints to A4 and needs no network.

    Two or more recordings are laid side by side: thrust, power and vibration at like speed and pitch with their
    significance, permitted speeds, and what differs in rig and calibration.
    """
    from whirlbench.report.report_page import report_page
    from whirlbench.results.report import compared_runs, run_report
    from whirlbench.rig.toml import read_rig

    target = target or recordings[0].with_suffix(".html" if len(recordings) == 1 else ".comparison.html")
    if os.path.lexists(target):
        raise BenchError(f"{target}: already exists; choose another name with -o, or remove it")
    rig = read_rig(rig_path)[0] if rig_path else None
    with naming(rig_path), working(as_json) as told:
        runs = [_recorded(path, rig, log_path) for path in recordings]
        report = run_report(runs[0], question, told) if len(runs) == 1 else compared_runs(runs, told)
        told("drawing the page")
        page = report_page(report)
    write_text(target, page)
    return _tell(report, target, as_json)


def _recorded(path: Path, rig: Rig | None, log_path: Path | None) -> RecordedRun:
    from dataclasses import replace

    from whirlbench.results.report import RecordedRun

    recorded = RecordedRun.read(path, rig)
    if log_path is None:
        return recorded
    return replace(recorded, entries=_entries(log_path, recorded))


def _entries(log_path: Path, recorded: RecordedRun) -> tuple[Entry, ...]:
    """The log's entries of the run's blade set."""
    from whirlbench.log import SetLog

    if not log_path.exists():
        raise BenchError(f"{log_path}: there is no such log; leave out --log, or name the file of the log")
    name = recorded.rig.propeller.blade_set if recorded.rig else None
    with SetLog(log_path, recorded.attributes.random_seed is not None) as log:
        return log.entries(name) if name else ()


def _tell(report: Report, target: Path, as_json: bool) -> int:
    from whirlbench.results.answer import listed

    if as_json:
        print_json({"page": str(target), "chapters": {one.title: one.answer.as_document() for one in report.chapters}})
    else:
        print_summary(report.chapters[0].answer)
        for words in report.rig_words:
            click.echo(words)
        click.echo(f"page: {target}")
    if report.judged:
        return DONE
    click.echo(f"whirlbench: {one_line(f'{listed(report.runs)}: {report.open_words}')}", err=True)
    return CANNOT_ANSWER
