"""`whirlbench spin`: a supervised run by a plan, with the terminal as the operator's surface."""

from __future__ import annotations

import io
import secrets
import sys
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import click

from whirlbench.cli.dry_run import dry_run, tell_what_to_expect
from whirlbench.cli.gate import fitted_set, log_option, require_cleared, typed_override
from whirlbench.cli.note_keys import Keyboard
from whirlbench.cli.number import Number
from whirlbench.cli.port_choice import SIMULATED, origin, port_opener
from whirlbench.cli.run_input import naming
from whirlbench.cli.run_output import new_recording, tell, tell_outcome
from whirlbench.cli.simulated_session import run_simulated
from whirlbench.cli.spin_screen import SpinScreen
from whirlbench.cli.working import working
from whirlbench.errors import BenchError
from whirlbench.log import EntryKind
from whirlbench.results.labels import spoken
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import read_rig
from whirlbench.safety.margins import margins
from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, Phase, Progress, check_list
from whirlbench.session.plan import Clearance, FittedSet, Plan, check_plan, describe, narrowed, read_plan
from whirlbench.session.process import EndingRequests, SessionHandle, SessionSpec, WillingOperator, start

TURN_S = 0.05  # the terminal's sign of life: several within the shortest limit for it


@click.command("spin")
@click.option("--rig", "rig_path", required=True, type=click.Path(), help="Rig file: limits, calibration, stand.")
@click.option("--plan", "plan_path", required=True, type=click.Path(), help="Plan file: the steps of the run.")
@click.option("--port", default="", help="Serial port of the device, or `simulated`; needed unless --dry-run.")
@click.option("-o", "output", type=click.Path(), help="Recording to write; by default run-DATE-TIME.h5 here.")
@click.option("--dry-run", "dry", is_flag=True, help="Print the whole course with loads to expect; nothing is armed.")
@click.option("--holds", multiple=True, type=click.Path(path_type=Path), help="Dry run: recording of earlier holds.")
@click.option("--speed", type=Number(least=0.1), help="Simulated stand only: times real time, at most.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@click.option("--reset", is_flag=True, help="Reset a device that tripped in an earlier run, its cause being found.")
@click.option("--yes", is_flag=True, help="Confirm the check-list and inspections unasked, for scripts.")
@click.option("--operator", default="", help="Your name, for the recording and the log; absent: asked for.")
@click.option("--inspection", help="What you have looked at before this run; entered in the log before the gate.")
@click.option("--note", "notes", multiple=True, help="A note for the recording; may be given several times.")
@click.option("--override-set", help="Let the set spin against the gate: its name, typed out.")
@click.option("--because", help="The reason of the override, as it will be read in a year.")
@log_option
def command(
    rig_path: str, plan_path: str, port: str, output: str | None, dry: bool, holds: tuple[Path, ...],
    speed: float | None, random_seed: int | None,
    reset: bool, yes: bool, operator: str, inspection: str | None, notes: tuple[str, ...],
    override_set: str | None, because: str | None, log_path: Path | None,
) -> int:  # fmt: skip
    """Run PLAN on the stand, supervised, and record it.

    The fitted blade set has to be cleared: judged by its strength, in service by its log, permitted what rig and plan
    ask for. Before and after, the run is entered in the log of blade sets.

    Ctrl-C cuts the power, and so do a closed terminal and a request to end; the coast-down is still recorded. The key n
    opens a line for a note on that moment.
    """
    (rig, rig_text), (plan, plan_text) = read_rig(rig_path), read_plan(plan_path)
    rig = narrowed(rig, plan, plan_path)
    check_plan(plan, rig, plan_path)
    if holds and not dry:
        raise click.UsageError("--holds is for --dry-run: earlier holds tell the loads to expect")
    if dry:
        with naming(rig_path):
            return dry_run(plan, rig, plan_path, holds)
    if not port:
        raise click.UsageError("Missing option '--port': the serial port of the device, or `simulated`")
    if speed is not None and port != SIMULATED:
        raise click.UsageError(f"--speed is for the simulated stand only: {port} runs in real time")
    override = typed_override(override_set, because, operator)
    recording = new_recording(output)
    fitted = fitted_set(rig, port, log_path)
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    spec = SessionSpec(
        rig_text,
        port_opener(port, rig_text, seed),
        plan_text,
        str(recording),
        reset_first=reset,
        origin=origin(port),
        random_seed=seed if port == SIMULATED else None,
    )
    with naming(rig_path):
        spec.engine()  # what could not be armed is told before anybody is asked to confirm anything
    if inspection is not None:
        click.echo(fitted.enter(EntryKind.INSPECTION, inspection, operator))
    clearance = fitted.clearance(override)
    require_cleared(clearance, rig, plan, rig_path)
    _introduce(rig, plan, clearance)
    tell_what_to_expect(plan, rig)
    operator = _named(operator, yes)
    answers = _confirm_check_list(check_list(rig, fitted.proof()), yes, simulated=port == SIMULATED)
    if clearance.override is not None:
        click.echo(fitted.enter_override(clearance, plan))
    fitted.begin(recording, answers, operator)
    words = [Command(CommandKind.CONFIRM, text=answer, operator=operator) for answer in answers]
    words += [Command(CommandKind.NOTE, text=note, operator=operator) for note in notes]
    run = _supervise if speed is None else partial(_hurry, speed=speed)
    person = _Operator(operator, yes, words)
    outcome = run(replace(spec, clearance=clearance), rig, person)
    tell_outcome(outcome, recording)
    _enter_run(fitted, recording, person, person.saw_armed or outcome.ending is not Ending.REFUSED)
    return outcome.exit_status


def _named(operator: str, yes: bool) -> str:
    """The operator's name: given, else asked for where somebody can answer."""
    if operator.strip() or yes or not sys.stdin.isatty():
        return operator.strip()
    return str(click.prompt("Your name, for the recording and the log")).strip()


def _enter_run(fitted: FittedSet, recording: Path, operator: _Operator, armed: bool) -> None:
    """The run into the log, and what the operator finds when looking at the blades after it."""
    entered = fitted.finish(recording, operator.name, armed)
    tell(entered.text, err=not entered.done)
    if armed and not operator.yes and sys.stdin.isatty():
        question = "Inspection after the run: what did you look at and find? (empty: not inspected)"
        found = click.prompt(question, default="", show_default=False).strip()
        if found:
            tell(fitted.enter(EntryKind.INSPECTION, found, operator.name))


def _introduce(rig: Rig, plan: Plan, clearance: Clearance) -> None:
    """Rig, blade set, limits and steps, so that what will happen is read before it is confirmed."""
    click.echo(f"rig:  {rig.name or 'without a name'}")
    for line in filter(None, (clearance.sentence, clearance.override_sentence)):
        click.echo(f"  {line}")
    for margin in margins(rig, {}):
        click.echo(f"  limit {margin.label:<14} {margin.limit:g} {margin.unit}")
    click.echo(f"plan: {plan.name or 'without a name'}")
    for number, step in enumerate(plan.steps, start=1):
        title = f"{step.kind} {step.name}".strip()
        click.echo(f"  step {number}: {title}: {describe(step)}".rstrip(": "))


def _confirm_check_list(lines: Sequence[str], yes: bool, simulated: bool) -> list[str]:
    """Asks line by line; returns the lines with the time of each answer."""
    answers = []
    click.echo("Before arming:" + (" (a rehearsal on the simulated stand: nothing turns)" if simulated else ""))
    if not yes and not sys.stdin.isatty():
        raise BenchError("the check-list needs someone at a terminal; give --yes if a script has seen to it")
    for line in lines:
        if yes:
            click.echo(f"  [taken as confirmed] {line}")
        elif not click.confirm(f"  {line}", default=False):
            raise BenchError("not confirmed: nothing was armed")
        answers.append(f"{datetime.now().astimezone():%H:%M:%S%z}{' (--yes)' if yes else ''} {line}")
    return answers


class _Operator(WillingOperator):
    """The operator at the terminal: says first what was confirmed, and is asked after each inspection stop."""

    def __init__(self, name: str, yes: bool, words: list[Command]) -> None:
        super().__init__()
        self.name, self.yes, self._words = name, yes, words
        self.saw_armed = False

    def commands(self, progress: Progress) -> tuple[Command, ...]:
        """As the plan asks; the words first, once the recording takes them."""
        self.saw_armed = self.saw_armed or progress.state in ("armed", "turning")
        if progress.phase != Phase.READY or not self._words:
            return super().commands(progress)
        words, self._words = self._words, []
        return tuple(words)


def _supervise(spec: SessionSpec, rig: Rig, operator: _Operator) -> Outcome:
    """Starts the session and stays its surface until it ends."""
    from rich.console import Console

    console = Console()
    keyboard = Keyboard() if console.is_terminal else Keyboard(io.StringIO())  # who sees no line types none
    with (
        EndingRequests() as requests,
        start(spec) as session,
        SpinScreen(console, rig, spec.clearance) as screen,
        keyboard,
    ):
        while (outcome := session.outcome()) is None:
            try:
                _turn(session, screen, operator, requests, keyboard)
            except (KeyboardInterrupt, click.Abort):
                session.command(CommandKind.ABORT)
            if requests.new() or screen.failed_anew():
                session.command(CommandKind.ABORT)
        screen.show(session.state(), session.view.events())
        session.join()
    return outcome


def _turn(
    session: SessionHandle, screen: SpinScreen, operator: _Operator, requests: EndingRequests, keyboard: Keyboard
) -> None:
    session.heard()
    progress: Progress = session.state()
    for note in screen.note.feed(keyboard.pressed(), progress.time_s):
        session.command(Command(CommandKind.NOTE, text=note, operator=operator.name))
    screen.show(progress, session.view.events())
    for command in operator.commands(progress):
        with keyboard.given_back() if command.kind is CommandKind.CONTINUE else nullcontext():
            asked = _asked(command, progress, operator, requests)
        session.command(asked)
    time.sleep(TURN_S)


def _asked(command: Command, progress: Progress, operator: _Operator, requests: EndingRequests) -> Command:
    """The command as given; to go on after an inspection stop is asked first, and a no ends the run."""
    if command.kind is not CommandKind.CONTINUE:
        return command
    if not operator.yes and not _inspected(progress, requests):
        return Command(CommandKind.FINISH)
    at = f"{datetime.now().astimezone():%H:%M:%S%z}{' (--yes)' if operator.yes else ''}"
    return Command(CommandKind.CONTINUE, text=f"{at} continue", operator=operator.name)


def _hurry(spec: SessionSpec, rig: Rig, operator: _Operator, speed: float) -> Outcome:
    """The same on a virtual clock: a simulated stand in lock-step with its session, in this process."""
    from rich.console import Console

    from whirlbench.recording.files import read_run

    console, shown = Console(), 0
    with (
        EndingRequests() as requests,
        SpinScreen(console, rig, spec.clearance) as screen,
        working(console.is_terminal) as told,
    ):

        def commands(progress: Progress) -> list[Command]:
            nonlocal shown
            screen.show(progress, ())
            if progress.step != shown:
                shown = progress.step
                told(f"{progress.time_s:.0f} s of the run, step {progress.step} of {progress.steps}")
            asked = [_asked(command, progress, operator, requests) for command in operator.commands(progress)]
            return [*asked, *([Command(CommandKind.ABORT)] if requests.new() or screen.failed_anew() else [])]

        created = datetime.now(UTC).isoformat(timespec="microseconds")
        outcome = run_simulated(spec, speed, lambda progress: None, commands, created=created)
        screen.tell(read_run(spec.recording).events)
    return outcome


def _inspected(progress: Progress, requests: EndingRequests) -> bool:
    """The operator's word after an inspection; meanwhile the stand is locked, and needs no sign of life."""
    question = f"\n{spoken(progress.message)}. Inspected, isolator closed, everybody clear: continue?"
    requests.interrupting = True
    try:
        return click.confirm(question, default=False)
    finally:
        requests.interrupting = False
