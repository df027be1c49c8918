"""`whirlbench limits`: pitch-versus-rpm limits and servo end points from measured holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import MOST
from whirlbench.cli.output import give_answer, json_option, write_plan, write_text
from whirlbench.cli.run_input import naming, open_run
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from whirlbench.analysis.pitch_limits import LimitsStudy, ModeEndPoints
    from whirlbench.results.answer import Answer
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@click.option("--rig", "rig_path", required=True, type=click.Path(path_type=Path), help="Rig with limits and modes.")
@click.option("--at-rpm", help="Speeds to give limits at, separated by commas.")
@click.option("--against", multiple=True, type=click.Path(path_type=Path), help="Recording of a second blade set.")
@click.option("--chart", type=click.Path(path_type=Path), help="Write the chart of the limits as PNG.")
@click.option("--page", type=click.Path(path_type=Path), help="Write the card for the field as HTML.")
@click.option("--load", "load_mode", help="Mode whose end points --rig-out writes for the device to enforce.")
@click.option("--rig-out", type=click.Path(path_type=Path), help="Write the rig with the end points of --load.")
@click.option("--plan-out", type=click.Path(path_type=Path), help="Write the plan of the hold to measure next.")
@json_option
def command(
    recordings: tuple[Path, ...], rig_path: Path, at_rpm: str | None, against: tuple[Path, ...],
    chart: Path | None, page: Path | None, load_mode: str | None, rig_out: Path | None, plan_out: Path | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Greatest and least pitch at each speed, what binds, and servo end points for each mode of the rig."""
    from whirlbench.analysis.pitch_limits import limits_study, propose
    from whirlbench.results.answer import not_judged
    from whirlbench.results.limits import SUBJECT, limits_answer
    from whirlbench.results.run_grounds import with_grounds
    from whirlbench.rig.toml import read_rig, with_values

    if (load_mode is None) != (rig_out is None):
        raise click.UsageError("--load MODE and --rig-out FILE go together: found one of them")
    rig, rig_text = read_rig(rig_path)
    if load_mode is not None and load_mode not in rig.modes:
        raise AnalysisError(f"{rig_path}: the rig has no mode {load_mode}; it has {', '.join(rig.modes) or 'none'}")
    speeds, source = _speeds(at_rpm), ", ".join(map(str, recordings))
    runs, others = ([open_run(path) for path in paths] for paths in (recordings, against))
    try:
        with naming(rig_path):
            study = limits_study(runs, rig, speeds, others)
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error)), as_json, source)
    answer = with_grounds(limits_answer(study, propose(study, _loaded(rig, study.modes, load_mode))), (*runs, *others))
    _draw(study, answer, runs, chart, page)
    status = give_answer(answer, as_json, source)
    if rig_out:
        write_text(rig_out, with_values(rig_text, _travel(study.modes, str(load_mode))))
    if plan_out:
        write_plan(answer.plan, plan_out, source)
    return status


def _draw(study: LimitsStudy, answer: Answer, runs: Sequence[Run], chart: Path | None, page: Path | None) -> None:
    if chart:
        from whirlbench.report.chart_drawing import write_charts

        write_charts((answer.chart("limits"),), chart)
    if page:
        from datetime import date

        from whirlbench.report.field_card import field_card
        from whirlbench.results.limits import card_answer
        from whirlbench.results.run_grounds import with_grounds

        write_text(page, field_card(with_grounds(card_answer(study, date.today()), runs)))


def _speeds(text: str | None) -> list[float] | None:
    if text is None:
        return None
    try:
        speeds = [float(word) for word in text.split(",")]
    except ValueError:
        speeds = []
    if not speeds or not all(0.0 < speed <= MOST for speed in speeds):
        raise click.BadParameter(f"found {text!r}, expected speeds above 0 separated by commas", param_hint="--at-rpm")
    return speeds


def _loaded(rig: Rig, modes: Sequence[ModeEndPoints], mode: str | None) -> Rig:
    """The rig as --rig-out will have it: the plan of the next hold keeps within its end points."""
    import msgspec

    try:
        ends = _travel(modes, mode) if mode is not None else {}
    except AnalysisError:
        return rig  # nothing will be written, and the answer says why
    values = {key.removeprefix("pitch."): value for key, value in ends.items()}
    return msgspec.structs.replace(rig, pitch=msgspec.structs.replace(rig.pitch, **values))


def _travel(modes: Sequence[ModeEndPoints], mode: str) -> dict[str, float | str]:
    """One mode's end points as the rig keys of the servo's travel, which the device then enforces."""
    from whirlbench.analysis.pitch_limits import servo_travel

    low_us, high_us = servo_travel(modes, mode)
    return {"pitch.min_us": low_us, "pitch.max_us": high_us}
