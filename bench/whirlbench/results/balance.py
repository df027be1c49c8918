"""A balance in words: unbalance and the mass that corrects it, each with its standard error, and the grade reached."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from whirlbench.analysis.balance import (
    Balance,
    Correction,
    HoleSplit,
    Velocity1P,
    correction_for,
    even_holes,
    grade_mm_s,
    permitted_g_mm,
    split_over_holes,
)
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed, with_error
from whirlbench.results.labels import label

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
        masses = tuple((fixed(mass.angle_deg), fixed(mass.mass_g, 3)) for mass in split.masses)
        yield Table("holes", "The correction split over the holes", HOLE_COLUMNS, masses)
    title = "What the stand does about it: velocity at 1P (once a turn), not a grade"
    yield Table("velocity", title, VELOCITY_COLUMNS, tuple(map(_velocity_row, felt)))


def _velocity_row(one: Velocity1P) -> tuple[str, ...]:
    sine = one.sine
    return label(one.axis), fixed(one.rpm, 0), fixed(sine.velocity_mm_s_peak, 2), fixed(sine.velocity_ips_peak, 3)


def _remarks(found: Balance, split: HoleSplit | None, graded: Graded | None) -> Iterator[Remark]:
    yield Remark(Level.CAUTION, "isolate the pack before you touch the rotor; take the trial mass off first")
    if graded is not None:
        yield _grade_remark(graded)
    if split is not None:
        yield Remark(Level.NOTE, f"the holes leave {split.left_g_mm:.2f} g mm")


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
        "stderr": {"g_mm": found.stderr_g_mm, "angle_deg": found.stderr_deg},
        "grade_mm_s": graded.grade_mm_s if graded else None,
        "wanted_grade_mm_s": fitting.grade,
        "permitted_g_mm": graded.permitted_g_mm if graded else None,
        "within_grade": _within(graded),
        "velocity_1p": felt,
        "split": split,
    }
