"""`whirlbench spin`: a supervised run by a plan, with the terminal as the operator's surface."""

from __future__ import annotations

import secrets
import sys
import time

import click

from whirlbench.cli.port_choice import SIMULATED, origin, port_opener
from whirlbench.cli.run_input import naming
from whirlbench.cli.run_output import new_recording, tell_outcome
from whirlbench.cli.spin_screen import SpinScreen
from whirlbench.errors import BenchError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import read_rig
from whirlbench.safety.margins import margins
from whirlbench.session.engine import CommandKind, Outcome, Progress, check_list
from whirlbench.session.plan import Plan, check_plan, describe, read_plan
from whirlbench.session.process import EndingRequests, SessionHandle, SessionSpec, WillingOperator, start

TURN_S = 0.05  # the terminal's sign of life: several within the shortest limit for it


@click.command("spin")
@click.option("--rig", "rig_path", required=True, type=click.Path(), help="Rig file: limits, calibration, stand.")
@click.option("--plan", "plan_path", required=True, type=click.Path(), help="Plan file: the steps of the run.")
@click.option("--port", required=True, help="Serial port of the device, or `simulated`.")
@click.option("-o", "output", type=click.Path(), help="Recording to write; by default run-DATE-TIME.h5 here.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@click.option("--reset", is_flag=True, help="Reset a device that tripped in an earlier run, its cause being found.")
@click.option("--yes", is_flag=True, help="Confirm the check-list and inspections unasked, for scripts.")
def command(
    rig_path: str, plan_path: str, port: str, output: str | None, random_seed: int | None, reset: bool, yes: bool
) -> int:
    """Run PLAN on the stand, supervised, and record it.

    Ctrl-C cuts the power, and so do a closed terminal and a request to end; the coast-down is still recorded.
    """
    (rig, rig_text), (plan, plan_text) = read_rig(rig_path), read_plan(plan_path)
    check_plan(plan, rig, plan_path)
    recording = new_recording(output)
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
    _introduce(rig, plan)
    _confirm_check_list(rig, yes, simulated=port == SIMULATED)
    outcome = _supervise(spec, rig, yes)
    tell_outcome(outcome, recording)
    return outcome.exit_status


def _introduce(rig: Rig, plan: Plan) -> None:
    """Rig, limits and steps, so that what will happen is read before it is confirmed."""
    click.echo(f"rig:  {rig.name or 'without a name'}")
    for margin in margins(rig, {}):
        click.echo(f"  limit {margin.label:<14} {margin.limit:g} {margin.unit}")
    click.echo(f"plan: {plan.name or 'without a name'}")
    for number, step in enumerate(plan.steps, start=1):
        title = f"{step.kind} {step.name}".strip()
        click.echo(f"  step {number}: {title}: {describe(step)}".rstrip(": "))


def _confirm_check_list(rig: Rig, yes: bool, simulated: bool) -> None:
    click.echo("Before arming:" + (" (a rehearsal on the simulated stand: nothing turns)" if simulated else ""))
    if not yes and not sys.stdin.isatty():
        raise BenchError("the check-list needs someone at a terminal; give --yes if a script has seen to it")
    for line in check_list(rig):
        if yes:
            click.echo(f"  [taken as confirmed] {line}")
        elif not click.confirm(f"  {line}", default=False):
            raise BenchError("not confirmed: nothing was armed")


def _supervise(spec: SessionSpec, rig: Rig, yes: bool) -> Outcome:
    """Starts the session and stays its surface until it ends."""
    from rich.console import Console

    operator = WillingOperator()
    with EndingRequests() as requests, start(spec) as session, SpinScreen(Console(), rig) as screen:
        while (outcome := session.outcome()) is None:
            try:
                _turn(session, screen, operator, requests, yes)
            except (KeyboardInterrupt, click.Abort):
                session.command(CommandKind.ABORT)
            if requests.new() or screen.failed_anew():
                session.command(CommandKind.ABORT)
        screen.show(session.state(), session.view.events())
        session.join()
    return outcome


def _turn(
    session: SessionHandle, screen: SpinScreen, operator: WillingOperator, requests: EndingRequests, yes: bool
) -> None:
    session.heard()
    progress: Progress = session.state()
    screen.show(progress, session.view.events())
    for command in operator.commands(progress):
        if command.kind is not CommandKind.CONTINUE or yes or _inspected(progress, requests):
            session.command(command)
        else:
            session.command(CommandKind.FINISH)
    time.sleep(TURN_S)


def _inspected(progress: Progress, requests: EndingRequests) -> bool:
    """The operator's word after an inspection; meanwhile the stand is locked, and needs no sign of life."""
    question = f"\n{progress.message}. Inspected, isolator closed, everybody clear: continue?"
    requests.interrupting = True
    try:
        return click.confirm(question, default=False)
    finally:
        requests.interrupting = False
