"""`whirlbench limits`: pitch-versus-rpm limits and servo end points from measured holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.number import MOST
from whirlbench.cli.output import json_option, plain, print_json
from whirlbench.cli.run_input import naming
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from whirlbench.analysis.pitch_limits import ModeEndPoints, PitchLimits
    from whirlbench.analysis.propeller import Hold, HoldSurvey
    from whirlbench.rig.description import Rig

PURPOSE = "pitch limits"


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@click.option("--rig", "rig_path", required=True, type=click.Path(path_type=Path), help="Rig with limits and modes.")
@click.option("--at-rpm", help="Speeds to give limits at, separated by commas.")
@click.option("--against", multiple=True, type=click.Path(path_type=Path), help="Recording of a second blade set.")
@click.option("--chart", type=click.Path(path_type=Path), help="Write the chart of the limits as PNG.")
@click.option("--page", type=click.Path(path_type=Path), help="Write the one-page table for the field as HTML.")
@click.option("--load", "load_mode", help="Mode whose end points --rig-out writes for the device to enforce.")
@click.option("--rig-out", type=click.Path(path_type=Path), help="Write the rig with the end points of --load.")
@click.option("--plan-out", type=click.Path(path_type=Path), help="Write the plan of the hold to measure next.")
@json_option
def command(
    recordings: tuple[Path, ...], rig_path: Path, at_rpm: str | None, against: tuple[Path, ...],
    chart: Path | None, page: Path | None, load_mode: str | None, rig_out: Path | None, plan_out: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Greatest and least pitch at each speed, what binds, and servo end points for each mode of the rig."""
    from whirlbench.rig.toml import read_rig

    rig, rig_text = read_rig(rig_path)
    speeds = _speeds(at_rpm)
    survey = _survey(recordings)
    with naming(rig_path):
        limits = _limits(survey.holds, survey, rig, speeds)
        modes = _modes(limits, rig)
    others = _compare(limits, against, rig, speeds)
    if chart:
        _write_chart(limits, rig, chart)
    if page:
        _write_page(limits, modes, rig, page)
    if load_mode or rig_out:
        _write_rig(rig_text, modes, load_mode, rig_out)
    if plan_out:
        _write_plan(limits, rig, survey.holds, plan_out)
    result = _result(survey, limits, modes, others)
    if as_json:
        print_json(result)
    else:
        _print_tables(result)


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


def _survey(paths: Sequence[Path]) -> HoldSurvey:
    from whirlbench.analysis.propeller import HoldSurvey, find_holds
    from whirlbench.recording.files import read_run

    surveys = [find_holds(read_run(path)) for path in paths]
    return HoldSurvey(
        tuple(hold for survey in surveys for hold in survey.holds),
        tuple(item for survey in surveys for item in survey.rejected),
    )


def _limits(holds: Sequence[Hold], survey: HoldSurvey, rig: Rig, speeds: list[float] | None) -> PitchLimits:
    from whirlbench.analysis.conditions import air_density_kg_m3
    from whirlbench.analysis.pitch_limits import pitch_limits

    if not holds:
        reasons = (
            "; ".join(dict.fromkeys(item.reason for item in survey.rejected)) or "speed or pitch never stood still"
        )
        raise AnalysisError(f"no settled hold found ({reasons}): hold each speed and pitch for 8 s or so")
    return pitch_limits(holds, rig, air_density_kg_m3(rig, PURPOSE), speeds)


def _modes(limits: PitchLimits, rig: Rig) -> tuple[ModeEndPoints, ...]:
    from whirlbench.analysis.pitch_limits import mode_end_points

    return mode_end_points(limits, rig) if rig.modes and rig.pitch.table else ()


def _compare(limits: PitchLimits, paths: Sequence[Path], rig: Rig, speeds: list[float] | None) -> Any:
    from whirlbench.analysis.pitch_limits import compare_sets

    if not paths:
        return None
    survey = _survey(paths)
    other = _limits(survey.holds, survey, rig, speeds)
    return {"limits": other.limits, "differences": compare_sets(limits, other)}


def _result(survey: HoldSurvey, limits: PitchLimits, modes: Sequence[ModeEndPoints], others: Any) -> dict[str, Any]:
    from whirlbench.analysis.pitch_limits import propose_hold

    result = {
        "limits": limits.limits,
        "coefficients": _coefficients(limits),
        "modes": {mode.mode: mode for mode in modes},
        "holds": survey.holds,
        "rejected": survey.rejected,
        "complaints": limits.propeller.points.complaints,
        "not_evaluated": limits.not_evaluated,
        "avoid_rpm": limits.avoid_rpm,
        "measured": {"pitch_deg": limits.pitch_range_deg, "rpm": limits.rpm_range},
        "next_hold": propose_hold(limits),
    }
    if others is not None:
        result["against"] = others
    return plain(result)  # type: ignore[no-any-return]


def _coefficients(limits: PitchLimits) -> dict[str, Any]:
    """CT and CP every degree over the measured range, at the reference speed."""
    import numpy as np

    pitch = np.linspace(
        *limits.pitch_range_deg, max(2, round(limits.pitch_range_deg[1] - limits.pitch_range_deg[0]) + 1)
    )
    table: dict[str, Any] = {
        "pitch_deg": pitch,
        "density_kg_m3": limits.propeller.density_kg_m3,
        "power": "electrical" if limits.propeller.points.power_is_electrical else "shaft",
    }
    for name, fit in (("ct", limits.propeller.ct), ("cp", limits.propeller.cp)):
        if fit is not None:
            estimate = fit.at(pitch, np.array(fit.reference_rpm))
            table[name] = {
                "value": estimate.value, "stderr": estimate.stderr, "at_rpm": fit.reference_rpm,
                "trend_with_rpm": fit.trend, "kink_deg": fit.kink_deg,
            }  # fmt: skip
    return table


def _write_chart(limits: PitchLimits, rig: Rig, path: Path) -> None:
    from whirlbench.report.limit_chart import draw_limits

    draw_limits(limits, rig, path)


def _write_page(limits: PitchLimits, modes: Sequence[ModeEndPoints], rig: Rig, path: Path) -> None:
    from whirlbench.report.field_page import field_page

    path.write_text(field_page(limits, modes, rig), encoding="utf-8")


def _write_rig(rig_text: str, modes: Sequence[ModeEndPoints], mode: str | None, path: Path | None) -> None:
    """The rig with one mode's end points as the servo's travel, which the device then enforces."""
    from whirlbench.analysis.pitch_limits import servo_travel
    from whirlbench.rig.toml import with_values

    if mode is None or path is None:
        raise click.UsageError("--load MODE and --rig-out FILE go together: found one of them")
    low_us, high_us = servo_travel(modes, mode)
    path.write_text(with_values(rig_text, {"pitch.min_us": low_us, "pitch.max_us": high_us}), encoding="utf-8")


def _write_plan(limits: PitchLimits, rig: Rig, holds: Sequence[Hold], path: Path) -> None:
    from whirlbench.analysis.pitch_limits import next_hold_plan, propose_hold, speed_keys

    proposal = propose_hold(limits)
    if proposal is None:
        raise AnalysisError("no further hold can be proposed: no limit binds, or no point is safe enough to hold")
    path.write_text(next_hold_plan(proposal, *speed_keys(limits, rig, holds, proposal)), encoding="utf-8")


def _print_tables(result: dict[str, Any]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(width=110)
    table = Table(title="Pitch limits (deg): best, and the pitch that is safe with 95 % confidence")
    for heading in ("rpm", "max", "max, 95 %", "binds", "min, wide open", "min, 95 %", "remark"):
        table.add_column(heading, justify="left" if heading in ("binds", "remark") else "right")
    for row in result["limits"]:
        table.add_row(
            f"{row['rpm']:.0f}", _degrees(row["max_pitch_deg"]), _degrees(row["max_pitch_deg_95"]),
            row["binding_95"] or "nothing in the measured range", _degrees(row["min_pitch_deg"]),
            _degrees(row["min_pitch_deg_95"]), _remark(row),
        )  # fmt: skip
    console.print(table)
    if result["modes"]:
        console.print(_mode_table(result["modes"]))
    for line in _remarks(result):
        console.print(line, highlight=False)


def _mode_table(modes: dict[str, Any]) -> Any:
    from rich.table import Table

    table = Table(title="Servo end points, rounded to the safe side")
    for heading in ("mode", "rpm", "finest", "coarsest", "set by", "remark"):
        table.add_column(heading)
    for name, mode in modes.items():
        ends = [mode["fine"], mode["coarse"]]
        set_by = " / ".join(end["set_by"] for end in ends if end)
        speeds = f"{mode['rpm'][0]:.0f}-{mode['rpm'][1]:.0f}"
        table.add_row(name, speeds, *(_end_point(end) for end in ends), set_by, mode["remark"])
    return table


def _end_point(end: dict[str, Any] | None) -> str:
    return f"{end['pitch_deg']:.1f} deg  {end['servo_us']} us  {end['travel_pct']} %" if end else "-"


def _degrees(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _remark(row: dict[str, Any]) -> str:
    if row["over_everywhere"]:
        return "exceeded at every measured pitch: do not hold this speed"
    if row["too_fine_everywhere"]:
        return "a failed governor would pass overspeed at every measured pitch"
    if row["nothing_permitted"]:
        return "a failed governor would pass overspeed below the least pitch: no pitch is permitted wide open"
    return "no hold near this speed: extrapolated" if row["extrapolated"] else ""


def _remarks(result: dict[str, Any]) -> list[str]:
    low, high = result["measured"]["pitch_deg"]
    lines = [f"{len(result['holds'])} holds, pitch {low:.1f} to {high:.1f} deg; nothing is stated outside that range."]
    lines += [f"not used: {item['from_s']:.1f}-{item['to_s']:.1f} s, {item['reason']}" for item in result["rejected"]]
    lines += [f"implausible: {text}" for text in result["complaints"]]
    lines += [f"not evaluated: {text}" for text in result["not_evaluated"]]
    lines += [f"avoid {band[0]:.0f}-{band[1]:.0f} rpm: vibration near its limit" for band in result["avoid_rpm"]]
    proposal = result["next_hold"]
    if proposal:
        lines.append(
            f"measure next: {proposal['rpm']:.0f} rpm at {proposal['pitch_deg']:.1f} deg; the limits' error would fall "
            f"from {proposal['stderr_before_deg']:.2f} to {proposal['stderr_after_deg']:.2f} deg"
        )
    for item in (result.get("against") or {}).get("differences", []):
        lines.append(
            f"second set, {item['quantity']} at {item['pitch_deg']:.1f} deg: {item['difference_pct']:+.1f} % "
            f"(+/- {item['stderr_pct']:.1f}), real with {100 * item['confidence']:.0f} % confidence"
        )
    lines.append(
        "These figures are an aid to judgement: stay out of the plane of rotation, approach new limits in stages."
    )
    return lines
