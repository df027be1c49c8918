"""A balance in words: unbalance and the mass that corrects it, each with its standard error, and the grade reached."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from whirlbench.analysis.balance import (
    Balance,
    Correction,
    HoleSplit,
    Trial,
    Velocity1P,
    balance_runs,
    correction_for,
    even_holes,
    grade_mm_s,
    mass_errors_g,
    permitted_g_mm,
    split_over_holes,
    vectors_1p,
    velocities,
)
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    fixed,
    not_judged,
    with_error,
)
from whirlbench.results.labels import label
from whirlbench.rig.description import Rig
from whirlbench.safety.reading_errors import reading_stderr
from whirlbench.samples import Run

SUBJECT = "balance"
SCATTER = "the unbalance cannot be told from scatter"
ROTOR_MARK = "from the mark, in the direction of rotation"
LEAST_SEEN = 2.0  # standard errors an unbalance must stand out by to be told from scatter; common practice, no source
ONE_SIDED_95 = 1.645  # standard errors
QUANTITY_COLUMNS = (
    Column("quantity", figures=False),
    Column("size", figures=False),
    Column("angle", "deg"),
)
LEAST_APART = 0.002  # relative difference of speed that is worth a word; our choice
COUPLE = "couple"
ONE_ROW = "one axis at one speed cannot tell it: record two axes, or hold two speeds"
HOLE_COLUMNS = (Column("hole at", "deg"), Column("mass", "g"))
VELOCITY_COLUMNS = (
    Column("signal", figures=False),
    Column("speed", "rpm"),
    Column("1P velocity", "mm/s peak"),
    Column("1P velocity", "ips peak"),
)


@dataclass(frozen=True)
class Fitting:
    """How a correction is to be fitted, and which grade (mm/s) is wanted.

    ``holes`` evenly spaced, the first at ``first_hole_deg``, None for one mass anywhere; masses in steps of ``step_g``.
    Without ``rotor_kg`` no grade is known.
    """

    radius_mm: float
    grade: float
    rotor_kg: float | None = None
    holes: int | None = None
    first_hole_deg: float = 0.0
    step_g: float = 0.0


@dataclass(frozen=True)
class Graded:
    """The grade reached and the unbalance that the wanted one permits, at the fastest speed that was used."""

    grade_mm_s: float
    stderr_mm_s: float
    wanted_mm_s: float
    permitted_g_mm: float
    within: bool
    within_surely: bool  # with 95 % confidence, one-sided


def balance_of_runs(
    as_found: Run, trial: Run, trial_mass_g: float, trial_angle_deg: float, fitting: Fitting,
    further: Sequence[Trial] = (), rig: Rig | None = None,
) -> Answer:  # fmt: skip
    """The correction of ``as_found`` from it and runs with a trial mass at the radius of ``fitting``, in words.

    ``further`` trials may be at other radii; ``rig`` tells how well the accelerometer's scale is known. Not judged,
    with the reason, where the runs cannot tell.
    """
    try:
        first = Trial(trial, trial_mass_g, trial_angle_deg, fitting.radius_mm)
        found = balance_runs(as_found, [first, *further])
        return balance_answer(found, felt_velocities(as_found, rig), fitting)
    except AnalysisError as error:
        return not_judged(SUBJECT, str(error))


def balance_answer(found: Balance, felt: Sequence[Velocity1P], fitting: Fitting) -> Answer:
    """``found`` in words, with the 1P velocities ``felt`` in the run as found."""
    fix, split = correction_for(found.vector_g_mm, fitting.radius_mm), _split(found, fitting)
    graded = _graded(found, fitting)
    known = _known(found)
    add = f"add {_mass(fix, found)} at {_angle(fix.angle_deg, found)} deg {ROTOR_MARK}, radius {fix.radius_mm:g} mm"
    return Answer(
        SUBJECT,
        add if known else f"{SCATTER}: nothing to correct by",
        tables=tuple(_tables(found, fix, split, felt)),
        remarks=tuple(_remarks(found, split, graded)),
        not_judged=tuple(_not_judged(found, graded)),
        document=_document(found, fix, split, graded, felt, fitting),
    )


def _known(found: Balance) -> bool:
    """Whether the unbalance stands out of its scatter, so that a correction is more than a guess."""
    return not found.unbalance_g_mm < LEAST_SEEN * found.stderr_g_mm


def _not_judged(found: Balance, graded: Graded | None) -> Iterator[NotJudged]:
    if not _known(found):
        yield NotJudged("correction", f"{SCATTER}: a correction would be a guess")
    if math.isnan(found.left_share):
        yield NotJudged(COUPLE, ONE_ROW)
    if graded is None:
        yield NotJudged("balance grade", "the rotor's mass is not known (propeller.rotor_kg)")


def _split(found: Balance, fitting: Fitting) -> HoleSplit | None:
    if fitting.holes is None or not _known(found):
        return None
    holes = even_holes(fitting.holes, fitting.first_hole_deg)
    return split_over_holes(found.vector_g_mm, fitting.radius_mm, holes, fitting.step_g)


def _graded(found: Balance, fitting: Fitting) -> Graded | None:
    """None without the rotor's mass."""
    if fitting.rotor_kg is None:
        return None
    rpm = float(found.influence.rpm.max())
    permitted = permitted_g_mm(fitting.grade, fitting.rotor_kg, rpm)
    return Graded(
        grade_mm_s(found.unbalance_g_mm, fitting.rotor_kg, rpm),
        grade_mm_s(found.stderr_g_mm, fitting.rotor_kg, rpm),
        fitting.grade,
        permitted,
        found.unbalance_g_mm <= permitted,
        found.unbalance_g_mm + ONE_SIDED_95 * found.stderr_g_mm <= permitted,
    )


def _mass(fix: Correction, found: Balance) -> str:
    """Mass with the standard error that the unbalance's own brings: u / r."""
    return f"{with_error(fix.mass_g, found.stderr_g_mm / fix.radius_mm)} g"


def _angle(angle_deg: float, found: Balance) -> str:
    """An angle with its standard error, which unbalance and correction share."""
    return f"{angle_deg:.1f} ± {found.stderr_deg:.1f}"


def _tables(found: Balance, fix: Correction, split: HoleSplit | None, felt: Sequence[Velocity1P]) -> Iterator[Table]:
    unbalance = f"{with_error(found.unbalance_g_mm, found.stderr_g_mm)} g mm"
    correction = (_mass(fix, found), _angle(fix.angle_deg, found)) if _known(found) else (NONE, NONE)
    rows = (
        ("unbalance as found", unbalance, _angle(found.unbalance_deg, found)),
        (f"correction, radius {fix.radius_mm:g} mm", *correction),
    )
    yield Table("correction", f"Unbalance and correction ± standard error, {ROTOR_MARK}", QUANTITY_COLUMNS, rows)
    if split is not None:
        errors = mass_errors_g([mass.angle_deg for mass in split.masses], found.stderr_g_mm / fix.radius_mm)
        masses = tuple(
            (fixed(mass.angle_deg), f"{fixed(mass.mass_g, 3)} ± {fixed(error, 3)}")
            for mass, error in zip(split.masses, errors, strict=True)
        )
        yield Table("holes", "The correction split over the holes", HOLE_COLUMNS, masses)
    title = "What the stand does about it: velocity at 1P (once a turn), not a grade"
    yield Table("velocity", f"{title}{scale_words(felt)}", VELOCITY_COLUMNS, tuple(map(_velocity_row, felt)))


def scale_words(felt: Sequence[Velocity1P]) -> str:
    """What the errors of 1P leave out, behind the title of their table; empty where nothing is."""
    if all(one.scale_known for one in felt):
        return ""
    return "; the accelerometer's scale is not calibrated: what it errs by is not in the errors"


def _velocity_row(one: Velocity1P) -> tuple[str, ...]:
    peaks = one.sine.velocity_mm_s_peak, one.sine.velocity_ips_peak
    return label(one.axis), fixed(one.rpm, 0), *(with_error(peak, one.stderr_share * peak) for peak in peaks)


def felt_velocities(run: Run, rig: Rig | None) -> tuple[Velocity1P, ...]:
    """The 1P velocities of a run, with their scatter and the error of the accelerometer's scale where it is known."""
    scale_share = math.nan if rig is None else reading_stderr(rig, "vibration_g", 1.0)
    return velocities(vectors_1p(run), scale_share)


def _remarks(found: Balance, split: HoleSplit | None, graded: Graded | None) -> Iterator[Remark]:
    yield Remark(Level.CAUTION, "isolate the pack before you touch the rotor; take the trial mass off first")
    if graded is not None:
        yield _grade_remark(graded)
    if found.couple:
        yield Remark(Level.CAUTION, couple_words(found))
    if found.apart > LEAST_APART:
        yield Remark(Level.NOTE, apart_words(found))
    if split is not None:
        yield Remark(Level.NOTE, f"the holes leave {split.left_g_mm:.2f} g mm")


def couple_words(found: Balance) -> str:
    """That a part of 1P is none of this plane's, and what may be its cause."""
    return (
        f"{100.0 * found.left_share:.0f} % of 1P stays at the sensor whatever mass is fitted in this plane: a couple "
        "(weight in two planes), a bent shaft, a hub that runs out, or blades that pull unlike; look for it before "
        "you add mass, and balance in two planes if it is weight"
    )


def apart_words(found: Balance) -> str:
    """That the runs' speeds differ, and what was done about it."""
    return (
        f"the runs' speeds differ by {100.0 * found.apart:.1f} %; 1P changes by up to {found.turn_deg_per_pct:.0f} "
        "deg, or as much in size, for each percent: allowed for by the speed's own wander, and in the errors"
    )


def _grade_remark(graded: Graded) -> Remark:
    reached = (
        f"grade {with_error(graded.grade_mm_s, graded.stderr_mm_s)} mm/s (ISO 21940-11, a property of the rotor alone)"
    )
    wanted = f"G{graded.wanted_mm_s:g} ({graded.permitted_g_mm:.2f} g mm)"
    if graded.within_surely:
        return Remark(Level.NOTE, f"{reached}: within {wanted}")
    again = "fit the correction, spin again, and repeat with --influence until it is"
    word = "within, but not with 95 % confidence," if graded.within else "not within"
    return Remark(Level.CAUTION, f"{reached}: {word} {wanted}; {again}")


def _within(graded: Graded | None) -> bool | None:
    """Whether the grade is kept, with 95 % confidence; None where that cannot be told."""
    return None if graded is None or graded.within != graded.within_surely else graded.within


def _document(
    found: Balance, fix: Correction, split: HoleSplit | None, graded: Graded | None, felt: Sequence[Velocity1P],
    fitting: Fitting,
) -> Mapping[str, Any]:  # fmt: skip
    return {
        "unbalance": {"g_mm": found.unbalance_g_mm, "angle_deg": found.unbalance_deg},
        "correction": fix if _known(found) else None,
        "stderr": {
            "g_mm": found.stderr_g_mm,
            "angle_deg": found.stderr_deg,
            "mass_g": found.stderr_g_mm / fix.radius_mm,
        },
        "couple": {"left_share": found.left_share, "found": None if math.isnan(found.left_share) else found.couple},
        "speeds": {"apart_pct": 100.0 * found.apart, "turn_deg_per_pct": found.turn_deg_per_pct},
        "grade_mm_s": graded.grade_mm_s if graded else None,
        "wanted_grade_mm_s": fitting.grade,
        "permitted_g_mm": graded.permitted_g_mm if graded else None,
        "within_grade": _within(graded),
        "velocity_1p": felt,
        "split": split,
    }
