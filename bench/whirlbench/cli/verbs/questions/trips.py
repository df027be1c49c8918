"""`whirlbench trips`: what a rig's limits would have done to recorded runs, and what other limits would."""

from __future__ import annotations

from pathlib import Path

import click

from whirlbench.cli.number import MOST, Number
from whirlbench.cli.output import give_answer, json_option
from whirlbench.cli.run_input import naming, open_run
from whirlbench.errors import AnalysisError

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
) -> int:  # fmt: skip
    """Back-test the limits of a rig on RECORDING..., with the very rules that run live.

    A recording with a failure in it counts as failed, any other as healthy. A limit that caught these runs is no
    promise for the next: the microcontroller's limits and the guard stay where they are.
    """
    from whirlbench.results.run_grounds import with_grounds
    from whirlbench.results.trips import case_of, trips_answer, trips_study
    from whirlbench.rig.toml import read_rig

    if chart and not move:
        raise AnalysisError("--chart draws what --move finds: give --move LIMIT=FROM:TO")
    moved = _move(move) if move else None
    with naming(rig_path):
        rig = read_rig(rig_path)[0]
    cases = [*(case_of(open_run(path)) for path in recordings), *(case_of(open_run(path), True) for path in healthy)]
    answer = trips_answer(trips_study(cases, rig, moved, suggest_per_hour))
    answer = with_grounds(answer, [case.run for case in cases])
    if chart:
        if not answer.charts:
            raise AnalysisError(f"{chart}: nothing to draw: no recording shows what --move {move} moves")
        from whirlbench.report.chart_drawing import write_charts

        write_charts(answer.charts, chart)
    return give_answer(answer, as_json, ", ".join(map(str, recordings)))


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
    if count < 2 or not all(0.0 < value <= MOST for value in (first, last)):
        raise AnalysisError(f"{complaint}; values above zero and at most {MOST:g}, at least two")
    return rule, np.linspace(first, last, count).tolist()
