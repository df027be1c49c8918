"""`whirlbench tune`: the speed loop identified, gains for the governor, and the proof of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import give_answer, json_option, write_plan, write_text
from whirlbench.cli.run_input import open_run, rig_of
from whirlbench.errors import AnalysisError

SPEEDS = "tach, held, bare, averaged, last turn, or filtered:SECONDS"

if TYPE_CHECKING:
    from whirlbench.analysis.speed_loop import SpeedChannel
    from whirlbench.results.tune import Study
    from whirlbench.samples import Run


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), help="Rig file, instead of the recording's own.")
@click.option("--governs", type=click.Choice(["throttle", "pitch"]), help="Lever that shall hold the speed.")
@click.option("--closed-loop-time", "time_s", type=Number(least=0.005), help="The one knob, in seconds.")
@click.option("--speeds", metavar="KIND", help=f"What the speeds are ({SPEEDS}); found by likelihood when left out.")
@click.option("--plan-out", type=click.Path(path_type=Path), help="Write the plan of the re-test as TOML.")
@click.option("--rig-out", type=click.Path(path_type=Path), help="Write the rig with the gains loaded.")
@click.option("--predicted", type=click.Path(path_type=Path), help="RECORDING is a re-test of this earlier --json.")
@click.option("--against", multiple=True, type=click.Path(path_type=Path), help="Recording of another setting.")
@click.option("--chart", type=click.Path(path_type=Path), help="Write the charts as PNG.")
@json_option
def command(
    recording: Path, rig_path: Path | None, governs: str | None, time_s: float | None, speeds: str | None,
    plan_out: Path | None,
    rig_out: Path | None, predicted: Path | None, against: tuple[Path, ...], chart: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """Models of every step of throttle, request and pitch, gains for the bench's governor with their margins."""
    from whirlbench.results.answer import not_judged
    from whirlbench.results.run_grounds import with_grounds
    from whirlbench.results.tune import SUBJECT, compare_runs, proof, read_advice, study, tune_answer

    channel = _channel(speeds) if speeds else None
    run = open_run(recording, vibration=False)
    rig = rig_of(run, rig_path)
    earlier = read_advice(predicted) if predicted else None
    others = [
        (path.stem, other, rig_of(other, rig_path)) for path in against for other in (open_run(path, vibration=False),)
    ]
    try:
        found = study(run, rig, governs, time_s, channel)  # type: ignore[arg-type]
        verdicts = proof(run, rig, earlier) if earlier else ()
        comparison = compare_runs(found, recording.stem, others) if others else None
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error).removeprefix(f"{recording}: ")), as_json, recording)
    answer = with_grounds(tune_answer(found, verdicts, comparison), [run], rig_path is None)
    if rig_out:
        _write_rig(found, run, rig_path, rig_out)
    if plan_out:
        write_plan(answer.plan, plan_out, recording)
    if chart:
        from whirlbench.report.chart_drawing import write_charts

        write_charts(answer.charts, chart, answer.headline)
    return give_answer(answer, as_json, recording)


def _channel(text: str) -> SpeedChannel:
    """The kind of speed channel that ``text`` names; a clear line where it names none."""
    from whirlbench.analysis.speed_loop import SpeedChannel

    kind, _, seconds = text.partition(":")
    try:
        filter_s = float(seconds) if seconds else 0.0
    except ValueError:
        filter_s = -1.0
    plain = kind in ("tach", "held", "bare", "averaged", "last turn") and not seconds
    if not plain and not (kind == "filtered" and 0.0 < filter_s < 60.0):
        raise click.BadParameter(f"{text!r} is no kind of speed channel: expected {SPEEDS}", param_hint="--speeds")
    return SpeedChannel(kind, filter_s)  # type: ignore[arg-type]


def _write_rig(found: Study, run: Run, rig_path: Path | None, path: Path) -> None:
    """The rig as it was, comments and all, with the advised gains and the governor's mode that they are for."""
    from whirlbench.results.tune import gains_for_rig
    from whirlbench.rig.toml import read_rig, with_values

    rig_text = read_rig(rig_path)[1] if rig_path else run.rig_text
    if not rig_text.strip():
        raise AnalysisError(f"{run.source}: holds no rig to write the gains into: give the rig file with --rig")
    write_text(path, with_values(rig_text, gains_for_rig(found)))
    if rig_path is None:
        stored = f"{path}: the rig stored in {run.source}, with the gains; --rig FILE takes your own file instead"
        click.echo(stored, err=True)
