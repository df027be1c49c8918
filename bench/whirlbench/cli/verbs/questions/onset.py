"""`whirlbench onset`: when a failure began, what moved first, which trips fired or would have."""

from __future__ import annotations

from pathlib import Path

import click

from whirlbench.cli.number import Number, Span
from whirlbench.cli.output import give_answer, json_option
from whirlbench.cli.run_input import naming, open_run, rig_of
from whirlbench.errors import AnalysisError

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("recording", type=FILE)
@click.option("--rig", "rig_path", type=FILE, help="Rig whose limits are back-tested; absent: the recording's own.")
@click.option(
    "--earlier", multiple=True, type=FILE, help="Earlier healthy recording of the same blade set; repeatable."
)
@click.option(
    "--false-alarm-hours", type=Number(least=0.05), default=10.0, show_default=True,
    help="Mean judged hours between false alarms.",
)  # fmt: skip
@click.option(
    "--baseline", type=Span(), help="Healthy part of the run: nothing before FROM is judged, nothing begins before TO."
)
@click.option("--chart", type=FILE, help="Write speed and evidence against time as PNG.")
@json_option
def command(
    recording: Path, rig_path: Path | None, earlier: tuple[Path, ...], false_alarm_hours: float,
    baseline: tuple[float, float] | None, chart: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """When RECORDING began to leave its own healthy behaviour, and when it failed.

    The run is compared with its own beginning, at each operating point apart, and with earlier healthy runs where
    given. A silent result is no proof of health: it says that nothing moved beyond scatter in what was recorded.
    """
    from whirlbench.results.answer import not_judged
    from whirlbench.results.onset import SUBJECT, onset_answer, onset_study
    from whirlbench.results.run_grounds import with_grounds

    run = open_run(recording)
    others = tuple(open_run(path) for path in earlier)
    try:
        with naming(rig_path):
            study = onset_study(run, rig_of(run, rig_path), others, false_alarm_hours * 3600.0, baseline)
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error)), as_json, recording)
    answer = with_grounds(onset_answer(study), [run], rig_path is None)
    if chart:
        from whirlbench.report.chart_drawing import write_charts

        write_charts(answer.charts, chart)
    return give_answer(answer, as_json, recording)
