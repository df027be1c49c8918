"""The dry run of `spin`: the course of the plan, judged by earlier holds or by the estimate, and nothing armed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.output import CANNOT_ANSWER, give_answer, one_line

if TYPE_CHECKING:
    from whirlbench.analysis.propeller import Hold
    from whirlbench.results.answer import Answer
    from whirlbench.results.dry_run import PlannedStep
    from whirlbench.rig.description import Rig
    from whirlbench.session.plan import CourseStep, Plan


def dry_run(plan: Plan, rig: Rig, plan_path: str, recordings: Sequence[Path]) -> int:
    """Prints the course; the exit status is 2, with one line, when a step would exceed a limit or cannot be judged."""
    from whirlbench.analysis.propeller import find_holds
    from whirlbench.cli.run_input import open_run
    from whirlbench.errors import AnalysisError

    holds = [hold for path in recordings for hold in find_holds(open_run(path)).holds]
    if recordings and not holds:
        raise AnalysisError(f"{', '.join(map(str, recordings))}: no settled hold to foretell loads from")
    answer = foretold(plan, rig, holds)
    status = give_answer(answer, False, plan_path)
    over = answer.document.get("exceeds", ())
    if not over:
        return status
    refused = f"{plan_path}: {'; '.join(over)}: would exceed a limit, see above; lower the set-points"
    click.echo(f"whirlbench: {one_line(refused)}", err=True)
    return CANNOT_ANSWER


def foretold(plan: Plan, rig: Rig, holds: Sequence[Hold] = ()) -> Answer:
    """The course of ``plan`` with its loads, judged by earlier ``holds`` or by the estimate."""
    from whirlbench.analysis.pitch_limits import load_model
    from whirlbench.errors import AnalysisError
    from whirlbench.results.answer import not_judged
    from whirlbench.results.dry_run import SUBJECT, dry_run_answer
    from whirlbench.session.plan import course

    steps = [_planned(step) for step in course(plan, rig)]
    try:
        return dry_run_answer(steps, rig, load_model(rig, holds))
    except AnalysisError as error:
        return not_judged(SUBJECT, str(error))


def tell_what_to_expect(plan: Plan, rig: Rig, holds: Sequence[Hold] = ()) -> None:
    """The dry run's headline with its dangers and cautions, for who is about to run the plan; or why there is none."""
    from whirlbench.cli.output import print_summary
    from whirlbench.errors import RigError
    from whirlbench.results.answer import not_judged
    from whirlbench.results.dry_run import SUBJECT

    try:
        answer = foretold(plan, rig, holds)
    except RigError as error:
        answer = not_judged(SUBJECT, str(error))
    click.echo("what the dry run expects (`--dry-run` shows all of it):")
    print_summary(answer)


def _planned(step: CourseStep) -> PlannedStep:
    from whirlbench.results.dry_run import PlannedStep

    title = f"step {step.number}: {' '.join(filter(None, (step.kind, step.name)))}"
    return PlannedStep(title, step.from_s, step.to_s, step.throttle_us, step.request_rpm, step.pitch_deg)
