"""`check`: what the blades and roots carry, how fast they may turn, and the proof plan."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import CANNOT_ANSWER, give_answer, json_option, one_line, print_json, write_plan, write_text
from whirlbench.cli.run_input import naming
from whirlbench.rig.toml import read_rig

Speed = Number(least=0.0, above=True)


@click.command("check")
@click.argument("rig_path", metavar="RIG", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--speed-rpm", type=Speed, help="Speed to judge at; absent: the fastest mode's.")
@click.option("--proof-rpm", type=Speed, help="Proof speed of the plan; absent: a little above the governed speed.")
@click.option("--plan-out", type=click.Path(dir_okay=False, path_type=Path), help="Write the plan for `spin --plan`.")
@click.option(
    "--report", "page", type=click.Path(dir_okay=False, path_type=Path), help="Write one HTML page with the working."
)
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the Monte Carlo; recorded with its result.")
@click.option("--set", "set_name", help="Blade set to tell in detail and to vary; absent: the fitted one.")
@click.option(
    "--vary", metavar="KEY=FROM:TO",
    help="Permitted speed against a key of the set: root.edge_mm=6:14, or material=printed_pla,moulded_nylon.",
)  # fmt: skip
@click.option("--must-fit", is_flag=True, help="For scripts: exit status 2 where the set told in detail is NOT FIT.")
@json_option
def command(
    rig_path: Path, speed_rpm: float | None, proof_rpm: float | None, plan_out: Path | None, page: Path | None,
    random_seed: int | None, set_name: str | None, vary: str | None, must_fit: bool, as_json: bool,
) -> int:  # fmt: skip
    """Judge every blade set of RIG before anything spins.

    Loads, stresses and reserves of root and blade, permitted speed and what governs it, fragment, proof plan. Exit
    status 0 says that it was judged, not that it is fit.
    An aid, not a licence: people stay out of the plane of rotation, guard and site follow local codes.
    """
    from whirlbench.analysis.strength import DEFAULT_SEED
    from whirlbench.errors import RigError
    from whirlbench.results.answer import not_judged
    from whirlbench.results.check import SUBJECT, check_answer, check_strength, told_set, what_if

    seed = DEFAULT_SEED if random_seed is None else random_seed
    try:
        rig, _ = read_rig(rig_path)
        with naming(rig_path):
            check, varied = check_strength(rig, speed_rpm, proof_rpm, seed), None
            if vary is not None:
                varied = what_if(rig, vary, set_name or check.fitted.name, seed, _progress)
            answer = check_answer(check, rig, set_name, varied)
    except RigError as error:
        if not as_json:
            raise
        print_json(not_judged(SUBJECT, str(error)).as_document())
        raise
    if plan_out is not None:
        write_plan(answer.plan, plan_out, rig_path)
    if page is not None:
        from whirlbench.report.answer_page import answer_page

        write_text(page, answer_page(f"Strength check: {rig.name or rig_path.stem}", [answer]))
    status = give_answer(answer, as_json, rig_path)
    if must_fit and not told_set(check, set_name).passes:
        click.echo(f"whirlbench: {one_line(f'{rig_path}: {answer.headline}')}", err=True)
        return CANNOT_ANSWER
    return status


def _progress(done: int, points: int) -> None:
    """One line that is written over, for people at a terminal."""
    if sys.stderr.isatty():
        click.echo(f"\r{done} of {points} points", err=True, nl=done == points)
