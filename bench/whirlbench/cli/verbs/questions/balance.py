"""`whirlbench balance`: single-plane correction from two runs, or from one and an influence kept before."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import give_answer, json_option, write_text
from whirlbench.cli.run_input import open_run, rig_of
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from whirlbench.analysis.balance import Influence

FILE = click.Path(dir_okay=False, path_type=Path)
ABOVE_ZERO = Number(least=0.0, above=True)


@click.command()
@click.argument("as_found", type=FILE)
@click.argument("trial", type=FILE, required=False)
@click.option("--trial-mass-g", type=ABOVE_ZERO, help="Trial mass that was added for TRIAL.")
@click.option("--trial-angle-deg", type=Number(), help="Its angle from the tach mark, in the direction of rotation.")
@click.option("--radius-mm", type=ABOVE_ZERO, required=True, help="Radius of trial mass and correction.")
@click.option(
    "--further",
    multiple=True,
    type=(FILE, ABOVE_ZERO, Number()),
    metavar="TRIAL GRAMS DEGREES",
    help="Another run with one trial mass on the rotor as found, at the same radius; repeatable.",
)
@click.option("--holes", type=click.IntRange(min=2), help="Split the correction over so many holes, evenly spaced.")
@click.option("--first-hole-deg", type=Number(), default=0.0, show_default=True, help="Angle of the first hole.")
@click.option("--step-g", type=Number(least=0.0), default=0.0, help="Masses come in multiples of this.")
@click.option("--rotor-kg", type=ABOVE_ZERO, help="Mass of the rotor, for the balance grade; absent: the rig's.")
@click.option("--grade", type=ABOVE_ZERO, default=6.3, show_default=True, help="Balance grade to reach, mm/s.")
@click.option("--rig", "rig_path", type=FILE, help="Rig with propeller.rotor_kg; absent: the recording's own.")
@click.option("--influence", type=FILE, help="Use the influence kept in this file instead of TRIAL.")
@click.option("--keep-influence", type=FILE, help="Keep the influence in this file, for next time.")
@json_option
def command(
    as_found: Path, trial: Path | None, trial_mass_g: float | None, trial_angle_deg: float | None, radius_mm: float,
    holes: int | None, first_hole_deg: float, step_g: float, rotor_kg: float | None, grade: float,
    rig_path: Path | None, influence: Path | None, keep_influence: Path | None,
    further: tuple[tuple[Path, float, float], ...], as_json: bool,
) -> int:  # fmt: skip
    """Unbalance of AS_FOUND, and the mass that corrects it.

    Angles are on the rotor, from the mark that fires the tach, in the direction of rotation. The trial mass is removed
    before the correction is fitted. Isolate the pack before you touch the rotor; spin again behind the guard.
    """
    from whirlbench.analysis.balance import Trial, balance_runs, balance_with_influence
    from whirlbench.results.answer import not_judged
    from whirlbench.results.balance import SUBJECT, Fitting, balance_answer, felt_velocities
    from whirlbench.results.run_grounds import with_grounds

    run = open_run(as_found)
    known = None if influence is None else _read_influence(influence)
    if known is None and (trial is None or trial_mass_g is None or trial_angle_deg is None):
        raise AnalysisError("give TRIAL with --trial-mass-g and --trial-angle-deg, or --influence from before")
    if known is not None and further:
        raise AnalysisError("--further adds a trial run to TRIAL: leave it out with --influence")
    rig = rig_of(run, rig_path)
    fitting = Fitting(
        radius_mm, grade, rotor_kg or (rig.propeller.rotor_kg if rig else None), holes, first_hole_deg, step_g
    )
    try:
        if known is not None:
            found, runs = balance_with_influence(run, known), [run]
        else:
            assert trial is not None and trial_mass_g is not None and trial_angle_deg is not None
            given = [(trial, trial_mass_g, trial_angle_deg), *further]
            trials = [Trial(open_run(path), mass_g, angle_deg, radius_mm) for path, mass_g, angle_deg in given]
            found, runs = balance_runs(run, trials), [run, *(one.run for one in trials)]
        answer = with_grounds(balance_answer(found, felt_velocities(run, rig), fitting), runs)
    except AnalysisError as error:
        return give_answer(not_judged(SUBJECT, str(error)), as_json, as_found)
    if keep_influence is not None:
        _write_influence(found.influence, keep_influence)
    return give_answer(answer, as_json, as_found)


def _write_influence(influence: Influence, path: Path) -> None:
    document = {
        "rpm": influence.rpm.tolist(),
        "axes": list(influence.axes),
        "real_g_per_g_mm": influence.g_per_g_mm.real.tolist(),
        "imaginary_g_per_g_mm": influence.g_per_g_mm.imag.tolist(),
        "stderr_g_per_g_mm": influence.stderr.tolist(),
    }
    slope, error = influence.log_slope, influence.log_slope_stderr
    if slope is not None and error is not None:
        document |= {
            "real_log_slope": slope.real.tolist(), "imaginary_log_slope": slope.imag.tolist(),
            "stderr_log_slope": error.tolist(),
        }  # fmt: skip
    write_text(path, json.dumps(document, indent=2) + "\n")


def _read_influence(path: Path) -> Influence:
    import numpy as np

    from whirlbench.analysis.balance import Influence

    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        answer = np.array(document["real_g_per_g_mm"]) + 1j * np.array(document["imaginary_g_per_g_mm"])
        rpm, axes = np.array(document["rpm"], dtype=float), tuple(document["axes"])
        stderr = np.array(document["stderr_g_per_g_mm"], dtype=float)
        if not len(rpm) or answer.shape != (len(rpm), len(axes)) or stderr.shape != answer.shape:
            raise ValueError("rows do not match rpm and axes")
        if "real_log_slope" not in document:  # kept by an earlier version: how it changes with speed is not known
            return Influence(rpm, axes, answer, stderr)
        slope = np.array(document["real_log_slope"]) + 1j * np.array(document["imaginary_log_slope"])
        doubt = np.array(document["stderr_log_slope"], dtype=float)
        if slope.shape != answer.shape or doubt.shape != answer.shape:
            raise ValueError("slopes do not match rpm and axes")
        return Influence(rpm, axes, answer, stderr, slope, doubt)
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError) as error:
        raise AnalysisError(f"{path}: not an influence that --keep-influence wrote: {error}") from error
