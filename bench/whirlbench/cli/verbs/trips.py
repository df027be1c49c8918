"""`whirlbench trips`: what a rig's limits would have done to recorded runs, and what other limits would."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_option, print_json
from whirlbench.cli.run_input import open_run
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from whirlbench.rig.description import Rig
    from whirlbench.safety.study import Case, Trade, Verdict

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=FILE, metavar="RECORDING...")
@click.option("--rig", "rig_path", required=True, type=FILE, help="Rig whose limits are tried.")
@click.option("--healthy", multiple=True, type=FILE, help="Healthy recording, for false alarms; repeatable.")
@click.option("--move", help="LIMIT=FROM:TO[:COUNT]: lead time against false alarms as one limit moves.")
@click.option(
    "--suggest-per-hour", type=Number(least=0.0, above=True),
    help="Suggest limits for so many false alarms an hour, from the healthy recordings.",
)  # fmt: skip
@click.option("--chart", type=FILE, help="Write lead time against false alarms as PNG; needs --move.")
@json_option
def command(
    recordings: tuple[Path, ...], rig_path: Path, healthy: tuple[Path, ...], move: str | None,
    suggest_per_hour: float | None, chart: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Back-test the limits of a rig on RECORDING..., with the very rules that run live.

    A recording with a failure in it counts as failed, any other as healthy. A limit that caught these runs is no
    promise
    for the next: the microcontroller's limits and the guard stay where they are.
    """
    from whirlbench.rig.toml import read_rig
    from whirlbench.safety.study import judge, suggest, trade_off

    rig = read_rig(rig_path)[0]
    if chart and not move:
        raise AnalysisError("--chart draws what --move finds: give --move LIMIT=FROM:TO")
    cases = [*_cases(recordings), *(_case(path, failed=False) for path in healthy)]
    trades: tuple[Trade, ...] = ()
    rule, values = _move(move) if move else ("", [])
    if move:
        trades = trade_off(cases, rig, rule, values)
    if chart:
        from whirlbench.cli.onset_chart import write_trade

        write_trade(rule, trades, chart)
    suggestions = []
    if suggest_per_hour is not None:
        runs = [case.run for case in cases if case.failed_at_s is None]
        suggestions = [suggest(runs, rig, name, suggest_per_hour) for name in _suggested(runs, rig)]
    verdicts = judge(cases, rig)
    result = _document(verdicts, rule, trades, suggestions)
    if as_json:
        print_json(result)
    else:
        _print(result)


def _cases(paths: Sequence[Path]) -> list[Case]:
    return [_case(path, failed=True) for path in paths]


def _case(path: Path, failed: bool) -> Case:
    from whirlbench.analysis.onset import find_failure
    from whirlbench.safety.study import Case

    run = open_run(path)
    failure = find_failure(run) if failed else None
    return Case(run, failure.at_s if failure is not None and failure.sure else None)


def _move(text: str) -> tuple[str, list[float]]:
    """Rule and values of LIMIT=FROM:TO[:COUNT]."""
    import numpy as np

    complaint = f"--move {text!r}: expected LIMIT=FROM:TO[:COUNT], such as vibration_g_rms=1:6:11"
    rule, _, span = text.partition("=")
    parts = span.split(":")
    if len(parts) not in (2, 3):
        raise AnalysisError(complaint)
    try:
        first, last, count = float(parts[0]), float(parts[1]), int(parts[2]) if len(parts) == 3 else 11
    except ValueError:
        raise AnalysisError(complaint) from None
    if count < 2 or min(first, last) <= 0:
        raise AnalysisError(complaint + "; values above zero, at least two")
    return rule, np.linspace(first, last, count).tolist()


def _suggested(runs: Sequence[Any], rig: Rig) -> list[str]:
    """Limits of the rig whose quantity the healthy runs show."""
    from whirlbench.safety.study import SWEPT, quantity

    names = [
        name
        for name in SWEPT
        if getattr(rig.limits, name) is not None and any(len(quantity(run, rig, name)[0]) for run in runs)
    ]
    if not names:
        raise AnalysisError("no healthy recording shows any quantity that the rig limits: nothing can be suggested")
    return names


def _document(
    verdicts: Sequence[Verdict], rule: str, trades: Sequence[Trade], suggestions: Sequence[Any]
) -> dict[str, Any]:
    runs = [
        {
            "recording": one.source,
            "trips": one.trips,
            "failure": None if one.failed_at_s is None else {"at_s": one.failed_at_s},
            "lead_s": one.lead_s,
        }
        for one in verdicts
    ]
    trips = [
        {"rule": trip.rule, "at_s": trip.at_s, "value": trip.value, "limit": trip.limit, "recording": one.source}
        for one in verdicts
        for trip in one.trips
    ]
    return {
        "trips": trips,
        "runs": runs,
        "moved": {"limit": rule, "values": trades} if trades else None,
        "suggestions": suggestions,
    }


def _print(result: dict[str, Any]) -> None:
    for run in result["runs"]:
        failed = run["failure"]
        ending = f"failed at {failed['at_s']:.2f} s" if failed else "no failure"
        click.echo(f"{run['recording']}: {ending}")
        for trip in run["trips"]:
            click.echo(f"  {trip.at_s:9.2f} s  {trip.text()}")
        if not run["trips"]:
            click.echo("  no limit of this rig would have tripped")
        if run["lead_s"] is not None:
            click.echo(f"  first trip {run['lead_s']:.2f} s before the failure")
    if result["moved"]:
        click.echo(f"\n{result['moved']['limit']:>16}  caught  median lead  false alarms per hour")
        for one in result["moved"]["values"]:
            click.echo(
                f"{one.limit:16.4g}  {100 * one.caught_share:4.0f} %  {one.median_lead_s:9.2f} s  "
                f"{one.false_alarms_per_hour:21.3g}"
            )
    for one in result["suggestions"]:
        doubt = "extrapolated from" if one.extrapolated else "seen in"
        click.echo(
            f"{one.rule}: {one.limit:.4g} for {one.false_alarms_per_hour:g} false alarms an hour, {doubt} "
            f"{one.healthy_hours:.2f} h (largest {one.largest_seen:.4g})"
        )
