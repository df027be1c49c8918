"""`check`: what the blades and roots carry, how fast they may turn, and the proof plan."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_option, print_json
from whirlbench.cli.run_input import naming
from whirlbench.rig.toml import read_rig

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from whirlbench.analysis.strength import DesignCheck, StrengthCheck

MPA = 1e-6
PAGE_WIDTH = 120  # columns when the answer goes into a file or another program
Speed = Number(least=0.0, above=True)


@click.command("check")
@click.argument("rig_path", metavar="RIG", type=click.Path(dir_okay=False))
@click.option("--speed-rpm", type=Speed, help="Speed to judge at; absent: the fastest mode's.")
@click.option("--proof-rpm", type=Speed, help="Proof speed of the plan; absent: a little above the governed speed.")
@click.option("--plan-out", type=click.Path(dir_okay=False), help="Write the proof plan for `spin --plan`.")
@click.option("--report", "report_out", type=click.Path(dir_okay=False), help="Write one HTML page with the working.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the Monte Carlo; recorded with its result.")
@json_option
def command(
    rig_path: str,
    speed_rpm: float | None,
    proof_rpm: float | None,
    plan_out: str | None,
    report_out: str | None,
    random_seed: int | None,
    as_json: bool,
) -> None:
    """Judge every blade set of RIG before anything spins.

    Loads, stresses and reserves of root and blade, permitted speed and what governs it, fragment, proof plan.
    An aid, not a licence: people stay out of the plane of rotation, guard and site follow local codes.
    """
    from whirlbench.analysis.strength import DEFAULT_SEED, check_strength, plan_text, summary

    rig, _ = read_rig(rig_path)
    seed = DEFAULT_SEED if random_seed is None else random_seed
    with naming(rig_path):
        check = check_strength(rig, speed_rpm, proof_rpm, seed)
    if plan_out is not None:
        _write(plan_out, plan_text(check.plan, rig, check.fitted.name))
    if report_out is not None:
        from whirlbench.report.strength_page import strength_page

        _write(report_out, strength_page(check, rig))
    if as_json:
        print_json(summary(check))
    else:
        _print(check)


def _write(path: str, text: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"{path}: cannot be written: {error.strerror or error}") from error


def _print(check: StrengthCheck) -> None:
    """The check in words and tables."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else PAGE_WIDTH
    console = Console(soft_wrap=True, highlight=False, width=width)
    console.print(f"[bold]{check.rig_name or 'rig'}[/]: judged at {check.speed_rpm:.0f} rpm ({check.speed_source})")
    for warning in check.warnings:
        console.print(f"[bold red]! {warning}[/]")
    console.print(_design_table(check))
    console.print(_mode_table(check.fitted))
    _print_fitted(console, check)
    console.print(_stage_table(check))
    for caution in (*check.plan.cautions, *check.cautions):
        console.print(f"[yellow]{caution}[/]")
    console.print("[bold]Taken for granted[/]")
    for assumption in check.assumptions:
        console.print(f"  {assumption}")


def _design_table(check: StrengthCheck) -> Table:
    from rich.table import Table

    table = Table(title="Blade sets", title_justify="left")
    for heading in ("set", "verdict", "blade g", "pull N", "reserve", "permitted rpm", "governed by", "P(overload)"):
        table.add_column(heading, justify="left" if heading in ("set", "verdict", "governed by") else "right")
    for design in check.designs:
        chance = check.monte_carlo[design.name]
        table.add_row(
            f"{design.name}{' (fitted)' if design is check.fitted else ''}",
            "fit" if design.passes else "[bold red]NOT FIT[/]",
            f"{design.mass_kg * 1e3:.1f}",
            f"{design.centrifugal_n:.0f}",
            f"{design.reserve_factor:.2f}",
            f"{design.permitted_rpm:.0f}",
            design.governed_by,
            "-" if chance is None else chance.told(chance.exceeds_strength),
        )
    return table


def _mode_table(design: DesignCheck) -> Table:
    from rich.table import Table

    table = Table(title=f"{design.title}: each way to fail", title_justify="left")
    for heading in ("mode", "stress MPa", "allowable MPa", "reserve", "needed", "permitted rpm"):
        table.add_column(heading, justify="left" if heading == "mode" else "right")
    for mode in design.modes:
        table.add_row(
            mode.name if mode.judged else f"{mode.name} (fatigue only)",
            f"{mode.stress_pa * MPA:.2f}",
            f"{mode.allowable.value_pa * MPA:.2f}",
            f"{mode.reserve_factor:.2f}",
            f"{mode.required:g}" if mode.judged else "-",
            f"{mode.permitted_rpm:.0f}",
        )
    return table


def _print_fitted(console: Console, check: StrengthCheck) -> None:
    """Fragment, servo, Mach, yardsticks and fatigue of the fitted set."""
    view, design = check.fitted.fragment, check.fitted
    limit = "" if check.tip_mach_limit is None else f" of {check.tip_mach_limit:g} allowed"
    console.print(f"Tip Mach {check.tip_mach:.3f}{limit}.")
    dragged = "" if view.range_with_drag_m is None else f", about {view.range_with_drag_m:.0f} m with drag (estimate)"
    console.print(
        f"A blade that lets go: {view.whole.speed_m_s:.0f} m/s, {view.whole.energy_j:.0f} J, without a guard up to "
        f"{view.range_without_drag_m:.0f} m without drag{dragged}."
    )
    if design.servo is not None:
        console.print(
            f"Twisting moment towards fine pitch: {design.servo.servo_torque_n_m:.2f} N m at the servo, "
            f"{design.servo.share:.0%} of what it has; friction of the pitch bearings is not in it."
        )
    console.print(_yardstick_table(check))
    fatigue = design.fatigue
    share = (
        "" if fatigue.share_of_strength is None else f" loads the peak to {fatigue.share_of_strength:.0%} of strength"
    )
    console.print(
        f"One cycle a start{share}; {fatigue.revolutions_per_hour:,.0f} revolutions an hour, a million in "
        f"{fatigue.hours_to_million_revolutions:.1f} h. {fatigue.statement}"
    )


def _yardstick_table(check: StrengthCheck) -> Table:
    from rich.table import Table

    table = Table(title=f"Yardsticks, {check.yardsticks[0].label}", title_justify="left")
    for heading in ("rule", "load", "rpm", "reserve there", "source"):
        table.add_column(heading, justify="left" if heading in ("rule", "source") else "right")
    for rule in check.yardsticks:
        table.add_row(
            rule.name, f"{rule.load_factor:g}x", f"{rule.speed_rpm:.0f}", f"{rule.reserve_there:.2f}", rule.source
        )
    return table


def _stage_table(check: StrengthCheck) -> Table:
    from rich.table import Table

    plan = check.plan
    table = Table(title=f"Proof to {plan.proof_rpm:.0f} rpm ({plan.source})", title_justify="left")
    for heading in ("stage", "rpm", "load %", "hold s", "pitch deg", "throttle %", "request rpm", "then"):
        table.add_column(heading, justify="left" if heading == "then" else "right")
    for stage in plan.stages:
        table.add_row(
            str(stage.number),
            f"{stage.rpm:.0f}",
            f"{stage.load_pct:.0f}",
            f"{stage.hold_s:.0f}",
            *(_or_dash(value) for value in (stage.pitch_deg, stage.throttle_pct, stage.request_rpm)),
            "stop and inspect" if stage.inspect else "",
        )
    return table


def _or_dash(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"
