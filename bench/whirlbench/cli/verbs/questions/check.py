"""`check`: what the blades and roots carry, how fast they may turn, and the proof plan."""

from __future__ import annotations

from pathlib import Path

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import give_answer, json_option, write_plan, write_text
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
@json_option
def command(
    rig_path: Path, speed_rpm: float | None, proof_rpm: float | None, plan_out: Path | None, page: Path | None,
    random_seed: int | None, as_json: bool,
) -> int:  # fmt: skip
    """Judge every blade set of RIG before anything spins.

    Loads, stresses and reserves of root and blade, permitted speed and what governs it, fragment, proof plan.
    An aid, not a licence: people stay out of the plane of rotation, guard and site follow local codes.
    """
    from whirlbench.analysis.strength import DEFAULT_SEED
    from whirlbench.results.check import check_answer, check_strength

    rig, _ = read_rig(rig_path)
    seed = DEFAULT_SEED if random_seed is None else random_seed
    with naming(rig_path):
        answer = check_answer(check_strength(rig, speed_rpm, proof_rpm, seed), rig)
    if plan_out is not None:
        write_plan(answer.plan, plan_out, rig_path)
    if page is not None:
        from whirlbench.report.answer_page import answer_page

        write_text(page, answer_page(f"Strength check: {rig.name or rig_path.stem}", [answer]))
    return give_answer(answer, as_json, rig_path)
