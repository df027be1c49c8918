"""`whirlbench rehearse`: the whole job on a simulated stand, with no display and no hardware."""

from __future__ import annotations

import os
import secrets
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_text, print_summary, write_text
from whirlbench.cli.rehearsal.answers import ask
from whirlbench.cli.rehearsal.runs import RE_TEST, SPINS, Spin, check_rehearsal, planned_s, run_spin
from whirlbench.cli.run_input import naming
from whirlbench.cli.run_output import tell_outcome
from whirlbench.errors import BenchError
from whirlbench.results.next_steps import NEXT_STEPS
from whirlbench.session.engine import Ending, Outcome, Progress

if TYPE_CHECKING:
    from whirlbench.report.rehearsal_page import Chapter
    from whirlbench.results.answer import Answer
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run

DEFAULT_SPEED = 20.0


@click.command("rehearse")
@click.option(
    "-o", "folder", type=click.Path(path_type=Path), default=Path("rehearsal"), help="Folder for all results."
)
@click.option(
    "--speed",
    type=Number(least=0.1),
    default=DEFAULT_SPEED,
    show_default=True,
    help="Times real time, at most.",
)
@click.option(
    "--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand; the same seed, the same run."
)
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), help="Rig file; by default the example rig.")
def command(folder: Path, speed: float, random_seed: int | None, rig_path: Path | None) -> int:
    """Check, staged spin, step tests, pitch map and an induced runaway that trips; recordings and a report in DIR."""
    from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig

    rig_text = read_rig(rig_path)[1] if rig_path else example_rig_text()
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    with naming(rig_path):
        check_rehearsal(rig_text)
    _prepare(folder)
    rig_file = folder / "rig.toml"
    rig_file.write_text(rig_text, encoding="utf-8")
    click.echo(f"simulated stand, seed {seed}; results in {folder}")
    chapters = [_check(parse_rig(rig_text, str(rig_file)), folder)]
    for spin in SPINS:
        click.echo(f"{spin.purpose}:")
        path, outcome = _spin(spin, rig_text, folder, seed, speed)
        if outcome.ending is Ending.ABORTED:
            tell_outcome(replace(outcome, saved="closed"), path)
            return outcome.exit_status
        _require(spin, path, outcome)
        chapters.append(_chapter(spin, path, outcome, folder))
        if spin.name == PITCH_MAP:
            chapters.append(_card_chapter(path))
        if spin.name == STEP_TESTS:
            chapters.append(_re_test(path, folder, rig_text, seed, speed))
    _write_page(chapters, folder, seed)
    for line in NEXT_STEPS:
        click.echo(f"next: {line}")
    click.echo(f"report: {folder / 'report.html'}")
    click.echo("On your own stand: out of the plane of rotation, isolator in reach, guard closed, local codes first.")
    return 0


def _prepare(folder: Path) -> None:
    """A new or empty folder: results of an earlier rehearsal are never overwritten."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        holds_files = any(folder.iterdir())
    except OSError as error:
        raise BenchError(f"{folder}: cannot be made a folder ({error.strerror}); choose another with -o") from error
    if holds_files:
        raise BenchError(f"{folder}: already holds files; choose another folder with -o, or remove it")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise BenchError(f"{folder}: cannot be written into; choose another folder with -o")


def _spin(spin: Spin, rig_text: str, folder: Path, seed: int, speed: float) -> tuple[Path, Outcome]:
    """One run under a progress line that says where the plan is and how long it still takes."""
    from rich.progress import BarColumn, SpinnerColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    left = TextColumn("left"), TimeRemainingColumn()
    with Bar(
        SpinnerColumn(), TextColumn("{task.description}"), BarColumn(20), TimeElapsedColumn(), *left, transient=True
    ) as bar:
        task = bar.add_task(spin.name, total=planned_s(spin, rig_text))

        def show(progress: Progress) -> None:
            bar.update(task, description=f"{spin.name}: {_place(progress)}", completed=progress.time_s)

        return run_spin(spin, rig_text, folder, seed, speed, show)


def _place(progress: Progress) -> str:
    """Where a run is, in one line."""
    now = f"{progress.state} {progress.time_s:5.1f} s {progress.values.get('rpm', 0.0):5.0f} rpm"
    return f"{now}, step {progress.step} of {progress.steps} {progress.step_text}" if progress.step else now


def _require(spin: Spin, path: Path, outcome: Outcome) -> None:
    """A rehearsal that does not end as rehearsed is a failure of the rig file or of ours, and is said."""
    wanted = Ending.TRIPPED if spin.fails else Ending.DONE
    if outcome.ending is not wanted:
        raise BenchError(
            f"{path}: ended {outcome.ending} ({outcome.reason}), expected {wanted}; the stand of this rig file cannot "
            "do what is rehearsed: see the recording"
        )


def _check(rig: Rig, folder: Path) -> Chapter:
    from whirlbench.report.answer_page import answer_page
    from whirlbench.report.rehearsal_page import Chapter

    answer = ask("check", rig)
    _keep(answer, folder / "check.json")
    write_text(folder / "check.html", answer_page(f"Strength check: {rig.name}", [answer]))
    click.echo("Before the spin:")
    return _tell(Chapter("Before the spin", ["the working is in check.html"], answer))


def _chapter(spin: Spin, path: Path, outcome: Outcome, folder: Path) -> Chapter:
    from whirlbench.report.rehearsal_page import Chapter
    from whirlbench.report.run_chart import run_figure
    from whirlbench.results.in_force import limits_in_force
    from whirlbench.results.labels import label, spoken
    from whirlbench.rig.toml import parse_rig

    run = _read_back(path)
    rig = parse_rig(run.rig_text)
    findings = [f"{path.name}: {run.duration_s():.1f} s, ended {outcome.ending} {spoken(outcome.reason)}".rstrip()]
    findings += [
        f"trip at {event.time_s:.3f} s: {label(event.name)}, {spoken(event.detail)}"
        for event in run.events
        if event.kind == "trip"
    ]
    answer = _answer(ASKED[spin.name], run, rig, folder) if spin.name in ASKED else None
    figure = run_figure(run, limits_in_force(run, rig).rig, spin.purpose)
    figure.savefig(folder / f"{spin.name}.png", dpi=110)
    return _tell(Chapter(spin.purpose, findings, answer, figure))


def _read_back(path: Path) -> Run:
    """The run in the recording at ``path``, by the file's own name: a page that is handed on names no folders."""
    from whirlbench.recording.files import read_run

    return replace(read_run(path), source=path.name)


def _card_chapter(path: Path) -> Chapter:
    from whirlbench.report.rehearsal_page import Chapter
    from whirlbench.rig.toml import parse_rig

    run = _read_back(path)
    return Chapter("Card for the field", ["to print: end-points.html"], ask("card", parse_rig(run.rig_text), run))


def _re_test(steps: Path, folder: Path, rig_text: str, seed: int, speed: float) -> Chapter:
    """The files that `tune` writes, taken as `spin` and `tune --predicted` take them: gains, re-test, verdict."""
    from whirlbench.report.rehearsal_page import Chapter
    from whirlbench.results.tune import gains_for_rig, study, tune_answer
    from whirlbench.rig.toml import parse_rig, with_values

    click.echo(f"{RE_TEST.purpose}:")
    found = study(_read_back(steps), parse_rig(rig_text))
    plan = tune_answer(found, foretold=False).plan
    if plan is None or not plan.text:
        return _tell(Chapter(RE_TEST.purpose, [f"not spun: {plan.remark if plan else 'there is no plan'}"]))
    governed_text = with_values(rig_text, gains_for_rig(found))
    write_text(folder / RE_TEST.plan, plan.text)
    write_text(folder / "rig-governed.toml", governed_text)
    spin = replace(RE_TEST, text=plan.text)
    path, outcome = _spin(spin, governed_text, folder, seed, speed)
    _require(spin, path, outcome)
    return _chapter(spin, path, outcome, folder)


def _tell(chapter: Chapter) -> Chapter:
    for line in chapter.findings:
        click.echo(f"  {line}")
    if chapter.answer is not None:
        print_summary(chapter.answer)
    return chapter


def _keep(answer: Answer, path: Path) -> None:
    write_text(path, json_text(answer.as_document()) + "\n")


def _answer(verb: str, run: Run, rig: Rig, folder: Path) -> Answer:
    """What ``verb`` answers to a run; pitch limits come with the card for the field and their chart."""
    from whirlbench.report.chart_drawing import write_charts
    from whirlbench.report.field_card import field_card

    answer = ask(verb, rig, run, *([folder / "tune.json"] if verb == "proof" else []))
    _keep(answer, folder / f"{verb}.json")
    if verb == "limits" and answer.judged:
        write_text(folder / "end-points.html", field_card(ask("card", rig, run)))
        write_charts((answer.chart("limits"),), folder / "limits.png")
    return answer


STEP_TESTS, PITCH_MAP = "2-step-tests", "4-pitch-map"
ASKED = {  # what each run is recorded for
    STEP_TESTS: "tune",
    RE_TEST.name: "proof",
    PITCH_MAP: "limits",
    "5-runaway": "onset",
}


def _write_page(chapters: Sequence[Chapter], folder: Path, seed: int) -> None:
    from whirlbench.report.rehearsal_page import Chapter, rehearsal_page

    chapters = [*chapters, Chapter("What to do next", NEXT_STEPS)]
    page = rehearsal_page(f"Rehearsal on the simulated stand, seed {seed}", chapters)
    write_text(folder / "report.html", page)
