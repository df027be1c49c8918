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

    from whirlbench.analysis.governor import Advice, Verdict
    from whirlbench.analysis.speed_loop import Kind, LoopModel
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run

    Predicted = tuple[Advice, dict[Kind, tuple[LoopModel, ...]]]


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
    from whirlbench.results.answer import not_judged
    from whirlbench.results.tune import SUBJECT, compare_runs, read_advice, study, tune_answer

    run = open_run(recording, vibration=False)
    rig = rig_of(run, rig_path)
    earlier = read_advice(predicted) if predicted else None
    others = [
        (path.stem, other, rig_of(other, rig_path)) for path in against for other in (open_run(path, vibration=False),)
    ]
    try:
        found = study(run, rig, governs, time_s)  # type: ignore[arg-type]
        verdicts = _proof(run, rig, earlier) if earlier else ()
        comparison = compare_runs(found, recording.stem, others) if others else None
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error).removeprefix(f"{recording}: ")), as_json, recording)
    answer = tune_answer(found, verdicts, comparison)
    if plan_out:
        write_plan(answer.plan, plan_out)
    if chart:
        from whirlbench.report.chart_drawing import write_charts

        write_charts(answer.charts, chart, answer.headline)
    return give_answer(answer, as_json, recording)


def _proof(run: Run, rig: Rig | None, earlier: Predicted) -> Sequence[Verdict]:
    """How ``run``, a re-test, came out beside what ``earlier`` advice predicts."""
    import numpy as np

    from whirlbench.analysis.governor import prove

    advice, loads = earlier
    return prove(run, advice, np.random.default_rng(0), next(iter(loads.values()), ()), rig)
