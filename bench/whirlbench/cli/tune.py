"""`whirlbench tune`: the speed loop identified, gains for the governor, and the proof of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_option, print_json
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from whirlbench.analysis.governor import Comparison, Forecast, Study, Verdict
    from whirlbench.analysis.speed_loop import Kind
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run
    from whirlbench.window.pages.tune_state import TuneState


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
) -> None:  # fmt: skip
    """Models of every step of throttle, request and pitch, gains for the bench's governor with their margins."""
    from whirlbench.analysis.governor import study
    from whirlbench.cli.tune_document import document
    from whirlbench.recording.files import read_run
    from whirlbench.window.pages.tune_state import forecast_lines, tune_state

    run = read_run(recording)
    rig = _rig(run, rig_path)
    found = study(run, rig, governs, time_s)  # type: ignore[arg-type]
    verdicts = _verdicts(run, rig, predicted) if predicted else ()
    forecasts = _forecasts(found, rig)
    comparison = _comparison(recording, found, rig_path, against) if against else None
    if plan_out:
        _write_plan(found, run, rig, plan_out)
    state = tune_state(found, verdicts, comparison)
    if chart:
        _write_chart(state, chart)
    if as_json:
        print_json(document(found, verdicts, comparison, forecasts))
    else:
        _print(state, forecast_lines(forecasts))


def _rig(run: Run, path: Path | None) -> Rig | None:
    """The rig asked for, else the one in the recording; None when there is neither."""
    from whirlbench.rig.toml import parse_rig, read_rig

    if path is not None:
        return read_rig(path)[0]
    return parse_rig(run.rig_text, f"{run.source}, rig") if run.rig_text else None


def _verdicts(run: Run, rig: Rig | None, predicted: Path) -> Sequence[Verdict]:
    import numpy as np

    from whirlbench.analysis.governor import prove
    from whirlbench.cli.tune_document import read_advice

    advice, loads = read_advice(predicted)
    other = next(iter(loads.values()), ())
    return prove(run, advice, np.random.default_rng(0), other, rig)


def _forecasts(found: Study, rig: Rig | None) -> dict[Kind, Forecast]:
    """What the re-test of the advice will show; empty without advice."""
    import numpy as np

    from whirlbench.analysis.governor import expected

    return expected(found.advice, found.loads, np.random.default_rng(0), rig) if found.advice else {}


def _comparison(recording: Path, found: Study, rig_path: Path | None, against: Sequence[Path]) -> Comparison:
    from whirlbench.analysis.governor import compare
    from whirlbench.analysis.speed_loop import identify
    from whirlbench.recording.files import read_run

    loops = [(recording.stem, found.loop)]
    for path in against:
        other = read_run(path)
        loops.append((path.stem, identify(other, _rig(other, rig_path))))
    return compare(loops)


def _write_plan(found: Study, run: Run, rig: Rig | None, path: Path) -> None:
    import numpy as np

    from whirlbench.analysis.governor import plan_text

    if found.advice is None:
        raise AnalysisError(f"{run.source}: no gains were advised, so there is no re-test to plan")
    results = [result for result in found.loop.usable() if result.step.kind == found.advice.lever]
    held = run.slow.between(results[0].step.at_s - 0.5, results[0].step.at_s).channel("pitch_deg")
    pitch = float(np.nanmedian(held)) if np.isfinite(held).any() and rig is not None and rig.pitch.table else None
    path.write_text(plan_text(found.advice, rig, pitch), encoding="utf-8")


def _write_chart(state: TuneState, path: Path) -> None:
    from whirlbench.cli.tune_chart import draw_tune

    draw_tune(state, path)


def _print(state: TuneState, expectations: Sequence[str]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(width=118)
    for table in state.tables:
        shown = Table(title=table.title, title_justify="left")
        for heading in table.headings:
            shown.add_column(heading, overflow="fold")
        for row in table.rows:
            shown.add_row(*row)
        console.print(shown)
    for line in (*state.lines[:1], *expectations, *state.lines[1:]):
        console.print(line, highlight=False, markup=False)
