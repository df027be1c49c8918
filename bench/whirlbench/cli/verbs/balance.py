"""`whirlbench balance`: single-plane correction from two runs, or from one and an influence kept before."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_option, print_json
from whirlbench.cli.run_input import open_run, rig_of
from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from whirlbench.analysis.balance import Balance, Influence
    from whirlbench.samples import Run

FILE = click.Path(dir_okay=False, path_type=Path)
ABOVE_ZERO = Number(least=0.0, above=True)


@click.command()
@click.argument("as_found", type=FILE)
@click.argument("trial", type=FILE, required=False)
@click.option("--trial-mass-g", type=ABOVE_ZERO, help="Trial mass that was added for TRIAL.")
@click.option("--trial-angle-deg", type=Number(), help="Its angle from the tach mark, in the direction of rotation.")
@click.option("--radius-mm", type=ABOVE_ZERO, required=True, help="Radius of trial mass and correction.")
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
    rig_path: Path | None, influence: Path | None, keep_influence: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Unbalance of AS_FOUND, and the mass that corrects it.

    Angles are on the rotor, from the mark that fires the tach, in the direction of rotation. The trial mass is removed
    before the correction is fitted. Isolate the pack before you touch the rotor; spin again behind the guard.
    """
    from whirlbench.analysis.balance import balance, balance_with_influence, correction_for, vectors_1p, velocities

    run = open_run(as_found)
    if influence is not None:
        found = balance_with_influence(run, _read_influence(influence))
    else:
        if trial is None or trial_mass_g is None or trial_angle_deg is None:
            raise AnalysisError("give TRIAL with --trial-mass-g and --trial-angle-deg, or --influence from before")
        found = balance(run, open_run(trial), trial_mass_g, trial_angle_deg, radius_mm)
    if keep_influence is not None:
        _write_influence(found.influence, keep_influence)
    rotor_kg = rotor_kg or _rotor_kg(run, rig_path)
    result = {
        "unbalance": {"g_mm": found.unbalance_g_mm, "angle_deg": found.unbalance_deg},
        "correction": correction_for(found.vector_g_mm, radius_mm),
        "stderr": {"g_mm": found.stderr_g_mm, "angle_deg": found.stderr_deg},
        **_graded(found, rotor_kg, grade),
        "velocity_1p": velocities(vectors_1p(run)),
        "split": _split(found, radius_mm, holes, first_hole_deg, step_g),
    }
    if as_json:
        print_json(result)
    else:
        _print(result)


def _rotor_kg(run: Run, rig_path: Path | None) -> float | None:
    rig = rig_of(run, rig_path)
    return rig.propeller.rotor_kg if rig is not None else None


def _graded(found: Balance, rotor_kg: float | None, grade: float) -> dict[str, Any]:
    """Grade at the fastest speed used, and whether it is within the wished one; unknown without the rotor's mass."""
    if rotor_kg is None:
        return {"grade_mm_s": None, "wanted_grade_mm_s": grade, "permitted_g_mm": None, "within_grade": None}
    from whirlbench.analysis.balance import grade_mm_s, permitted_g_mm

    rpm = float(found.influence.rpm.max())
    permitted = permitted_g_mm(grade, rotor_kg, rpm)
    return {
        "grade_mm_s": grade_mm_s(found.unbalance_g_mm, rotor_kg, rpm),
        "wanted_grade_mm_s": grade,
        "permitted_g_mm": permitted,
        "within_grade": found.unbalance_g_mm <= permitted,
    }


def _split(found: Balance, radius_mm: float, holes: int | None, first_deg: float, step_g: float) -> Any:
    if holes is None:
        return None
    from whirlbench.analysis.balance import even_holes, split_over_holes

    return split_over_holes(found.vector_g_mm, radius_mm, even_holes(holes, first_deg), step_g)


def _write_influence(influence: Influence, path: Path) -> None:
    document = {
        "rpm": influence.rpm.tolist(),
        "axes": list(influence.axes),
        "real_g_per_g_mm": influence.g_per_g_mm.real.tolist(),
        "imaginary_g_per_g_mm": influence.g_per_g_mm.imag.tolist(),
        "stderr_g_per_g_mm": influence.stderr.tolist(),
    }
    try:
        path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise AnalysisError(f"{path}: the influence cannot be kept there: {error}") from error


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
        return Influence(rpm, axes, answer, stderr)
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError) as error:
        raise AnalysisError(f"{path}: not an influence that --keep-influence wrote: {error}") from error


def _print(result: dict[str, Any]) -> None:
    unbalance, error, fix = result["unbalance"], result["stderr"], result["correction"]
    click.echo(
        f"Unbalance   {unbalance['g_mm']:8.2f} ± {error['g_mm']:.2f} g mm at {unbalance['angle_deg']:6.1f} ± "
        f"{error['angle_deg']:.1f} deg from the mark, in the direction of rotation"
    )
    click.echo(
        f"Correction  {fix.mass_g:8.3f} g at {fix.angle_deg:6.1f} deg, radius {fix.radius_mm:g} mm; "
        "take the trial mass off first"
    )
    if result["split"] is not None:
        for mass in result["split"].masses:
            click.echo(f"  in the hole at {mass.angle_deg:6.1f} deg: {mass.mass_g:.3f} g")
        click.echo(f"  leaves {result['split'].left_g_mm:.2f} g mm")
    if result["grade_mm_s"] is None:
        click.echo("Grade       unknown: give --rotor-kg or propeller.rotor_kg (a property of the rotor alone)")
    else:
        word = "within" if result["within_grade"] else "not within"
        click.echo(
            f"Grade       {result['grade_mm_s']:8.2f} mm/s, {word} G{result['wanted_grade_mm_s']:g} "
            f"({result['permitted_g_mm']:.2f} g mm); a property of the rotor alone (ISO 21940-11)"
        )
        if not result["within_grade"]:
            click.echo("            fit the correction, spin again, and repeat with --influence until it is")
    for one in result["velocity_1p"]:
        click.echo(
            f"1P velocity {one.sine.velocity_mm_s_peak:8.2f} mm/s peak ({one.sine.velocity_ips_peak:.3f} ips) on "
            f"{one.axis} at {one.rpm:.0f} rpm: what the stand does about it, not a grade"
        )
