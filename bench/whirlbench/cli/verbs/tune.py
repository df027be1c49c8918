"""`whirlbench tune`: the speed loop identified, gains for the governor, and the proof of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import give_answer, json_option, write_plan
from whirlbench.cli.run_input import open_run, rig_of
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from whirlbench.analysis.governor import Comparison, Study, Verdict
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), help="Rig file, instead of the recording's own.")
@click.option("--governs", type=click.Choice(["throttle", "pitch"]), help="Lever that shall hold the speed.")
@click.option("--closed-loop-time", "time_s", type=Number(least=0.005), help="The one knob, in seconds.")
@click.option("--plan-out", type=click.Path(path_type=Path), help="Write the plan of the re-test as TOML.")
@click.option("--predicted", type=click.Path(path_type=Path), help="RECORDING is a re-test of this earlier --json.")
@click.option("--against", multiple=True, type=click.Path(path_type=Path), help="Recording of another setting.")
@click.option("--chart", type=click.Path(path_type=Path), help="Write the charts as PNG.")
@json_option
def command(
    recording: Path, rig_path: Path | None, governs: str | None, time_s: float | None, plan_out: Path | None,
    predicted: Path | None, against: tuple[Path, ...], chart: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """Models of every step of throttle, request and pitch, gains for the bench's governor with their margins."""
    from whirlbench.analysis.governor import study
    from whirlbench.results.answer import not_judged
    from whirlbench.results.tune import SUBJECT, tune_answer

    run = open_run(recording)
    rig = rig_of(run, rig_path)
    try:
        found = study(run, rig, governs, time_s)  # type: ignore[arg-type]
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error)), as_json, recording)
    verdicts = _verdicts(run, rig, predicted) if predicted else ()
    comparison = _comparison(recording, found, rig_path, against) if against else None
    answer = tune_answer(found, run, rig, verdicts, comparison)
    if plan_out:
        write_plan(answer.plan, plan_out)
    if chart:
        from whirlbench.report.chart_drawing import write_charts

        write_charts(answer.charts, chart, answer.headline)
    return give_answer(answer, as_json, recording)


def _verdicts(run: Run, rig: Rig | None, predicted: Path) -> Sequence[Verdict]:
    import numpy as np

    from whirlbench.analysis.governor import prove
    from whirlbench.results.tune_document import read_advice

    advice, loads = read_advice(predicted)
    other = next(iter(loads.values()), ())
    return prove(run, advice, np.random.default_rng(0), other, rig)


def _comparison(recording: Path, found: Study, rig_path: Path | None, against: Sequence[Path]) -> Comparison:
    from whirlbench.analysis.governor import compare
    from whirlbench.analysis.speed_loop import identify

    loops = [(recording.stem, found.loop)]
    for path in against:
        other = open_run(path)
        loops.append((path.stem, identify(other, rig_of(other, rig_path))))
    return compare(loops)
