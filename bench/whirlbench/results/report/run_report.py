"""The report of one run: every question that can be put to it, answered or said to be open, in one order."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator

from whirlbench.analysis.balance import Velocity1P
from whirlbench.errors import AnalysisError, RigError
from whirlbench.log import standing
from whirlbench.results.answer import (
    DASH_MEANS,
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    Verdict,
    fixed,
    listed,
    not_judged,
    with_error,
)
from whirlbench.results.balance import felt_velocities, scale_words
from whirlbench.results.check import check_answer, check_strength
from whirlbench.results.labels import label, spoken
from whirlbench.results.limits import limits_answer, limits_study
from whirlbench.results.onset import ORDERS, OnsetStudy, onset_answer, onset_study
from whirlbench.results.report.chapter import Chapter, RecordedRun, Report
from whirlbench.results.report.course import checks_answer, plan_answer
from whirlbench.results.report.rig_facts import NO_RIG, rig_answer
from whirlbench.results.report.run_charts import course_answer
from whirlbench.results.run_grounds import own_rig_words, with_grounds
from whirlbench.results.set_log import set_log_answer
from whirlbench.results.trips import TripStudy, case_of, trips_answer, trips_study
from whirlbench.results.tune import study as tune_study
from whirlbench.results.tune import tune_answer
from whirlbench.rig.description import Rig

PLAN_TITLE, RIG_TITLE = "Question, plan and what happened", "Set, rig and calibration"
NO_STATEMENTS = (PLAN_TITLE, RIG_TITLE, "Identity")  # chapters that conclude nothing
CHECKS_TITLE, COURSE_TITLE, LOG_TITLE = "Check-list and inspections", "Course of the run", "Log of the set"
DESCRIBING = (
    *NO_STATEMENTS,
    CHECKS_TITLE,
    COURSE_TITLE,
    LOG_TITLE,
)  # what was entered or recorded is no judgement of it
CONCLUSIONS, IDENTITY = "conclusions", "identity"
STATEMENT_COLUMNS = (
    Column("statement", figures=False),
    Column("verdict", figures=False),
    Column("evidence", figures=False),
)
VELOCITY_COLUMNS = (
    Column("axis", figures=False),
    Column("speed", "rpm"),
    Column("acceleration at 1P (once a turn)", "g peak"),
    Column("velocity", "mm/s rms"),
)
FACT_COLUMNS = (Column("what", figures=False), Column("value", figures=False))
NO_TRIAL = (
    "a correction needs a second run with a trial mass, or the influence kept from an earlier day: `whirlbench balance`"
)


def run_report(
    recorded: RecordedRun, question: str = "", progress: Callable[[str], None] = lambda title: None
) -> Report:
    """The chapters of one run; what cannot be answered says why. ``progress`` is told each chapter as it begins."""
    chapters, asked = [], list(_chapters(recorded, question))
    for number, (title, make) in enumerate(asked, start=1):
        progress(f"chapter {number} of {len(asked)}: {title}")
        chapters.append(Chapter(title, _answered(title, make), title not in DESCRIBING))
    first = Chapter("Conclusions", conclusions(chapters, recorded, question), judges=False)
    name = recorded.rig.name if recorded.rig and recorded.rig.name else recorded.name
    words = (own_rig_words(recorded.run),) if recorded.own_rig else ()
    return Report(f"Run report: {name}", (recorded.name,), (first, *chapters), words)


def _chapters(recorded: RecordedRun, question: str) -> Iterator[tuple[str, Callable[[], Answer]]]:
    run, rig = recorded.run, recorded.rig
    yield PLAN_TITLE, lambda: plan_answer(recorded, question)
    yield RIG_TITLE, lambda: rig_answer(recorded)
    yield CHECKS_TITLE, lambda: checks_answer(recorded)
    yield COURSE_TITLE, lambda: course_answer(run, rig)
    yield "Strength and permitted speed", lambda: _strength(rig)
    yield "How speed answers", lambda: with_grounds(tune_answer(tune_study(run, rig)), [run], recorded.own_rig)
    yield "Pitch limits and end points", lambda: _pitch_limits(recorded)
    found = functools.cache(lambda: onset_study(run, rig))  # its back-test is that of the trips, too
    yield "Onset of a failure", lambda: with_grounds(onset_answer(found()), [run], recorded.own_rig)
    yield "Trips on trial", lambda: _trips(found(), _needed(rig))
    yield "Balance", lambda: _balance(recorded)
    yield LOG_TITLE, lambda: _set_log(recorded)
    yield "Identity", lambda: identity(recorded)


def _answered(title: str, make: Callable[[], Answer]) -> Answer:
    """What could not be answered is an answer, too."""
    try:
        return make()
    except (AnalysisError, RigError) as error:
        return not_judged(title.lower(), spoken(str(error)))


def _needed(rig: Rig | None) -> Rig:
    if rig is None:
        raise RigError(NO_RIG)
    return rig


def _strength(rig: Rig | None) -> Answer:
    return check_answer(check_strength(_needed(rig)), _needed(rig))


def _pitch_limits(recorded: RecordedRun) -> Answer:
    """Without what to measure next, which takes as long as all the rest: `whirlbench limits` works it out."""
    return with_grounds(limits_answer(limits_study([recorded.run], _needed(recorded.rig))), [recorded.run])


def _trips(found: OnsetStudy, rig: Rig) -> Answer:
    study = TripStudy((found.test,)) if found.test else trips_study([case_of(found.run)], rig)
    return with_grounds(trips_answer(study), [found.run])


def _balance(recorded: RecordedRun) -> Answer:
    felt = felt_velocities(recorded.run, recorded.rig)
    if not felt:
        return not_judged("balance", "no steady speed with vibration and tach was held")
    rows = tuple((label(one.axis), fixed(one.rpm, 0), *_sizes(one)) for one in felt)
    worst = max(felt, key=lambda one: one.sine.velocity_mm_s_rms)
    return Answer(
        "balance",
        f"Greatest 1P (once a turn): {_sizes(worst)[1]} mm/s rms, {label(worst.axis)} at {worst.rpm:.0f} rpm",
        tables=(Table("1P", f"1P felt at the stand at each steady speed{scale_words(felt)}", VELOCITY_COLUMNS, rows),),
        not_judged=(NotJudged("unbalance and its correction", NO_TRIAL),),
        document={"velocities": felt},
    )


def _sizes(one: Velocity1P) -> tuple[str, str]:
    """Acceleration in g peak and velocity in mm/s rms, with their standard error."""
    sizes = one.sine.acceleration_g_peak, one.sine.velocity_mm_s_rms
    acceleration, velocity = (with_error(size, one.stderr_share * size) for size in sizes)
    return acceleration, velocity


def _set_log(recorded: RecordedRun) -> Answer:
    name = recorded.rig.propeller.blade_set if recorded.rig else None
    if recorded.entries is None or not name:
        why = "no log was asked: give it with --log" if recorded.entries is None else "the rig names no blade set"
        return not_judged("log of the set", why)
    return set_log_answer(recorded.entries, standing(recorded.entries, recorded.rig, name))


def identity(recorded: RecordedRun) -> Answer:
    """Who recorded what, with which program and firmware, and the digest that tells this file from any other."""
    about = recorded.attributes
    rows = [
        ("recording", recorded.name),
        ("SHA-256 of the file", recorded.sha256),
        ("begun", about.created or NONE),
        ("origin", about.origin or NONE),
        ("format version", str(about.format_version)),
        *((f"firmware, {name}", str(value)) for name, value in about.firmware.items()),
        *((f"link, {name}", f"{value:g}") for name, value in recorded.counters.items()),
    ]
    open_ = (
        () if about.firmware else (NotJudged("firmware", "the recording names none: it did not come from a device"),)
    )
    table = Table("identity", "Recording, software and firmware", FACT_COLUMNS, tuple(rows))
    return Answer(
        IDENTITY, f"{recorded.name}, {about.origin or 'origin not told'}", tables=(table,), not_judged=open_,
        document={"sha256": recorded.sha256, "firmware": about.firmware, "created": about.created},
    )  # fmt: skip


def conclusions(chapters: list[Chapter], recorded: RecordedRun, question: str = "") -> Answer:
    """The headline of every chapter as a statement, its verdict, and where its evidence stands; all dangers again."""
    asked = [one for one in chapters if one.title not in NO_STATEMENTS]
    rows = tuple(
        (one.answer.headline, one.answer.verdict.value, f"chapter “{one.title}”, {recorded.name}") for one in asked
    )
    open_ = [one.title for one in asked if one.answer.verdict is not Verdict.JUDGED]
    dangers = {remark: None for one in asked for remark in one.answer.remarks if remark.level is Level.DANGER}
    said = f"{len(dangers)} dangers" if len(dangers) != 1 else "1 danger"
    own = [Remark(Level.NOTE, own_rig_words(recorded.run))] if recorded.own_rig else []
    judged = f"{len(asked) - len(open_)} of {len(asked)} questions fully judged; {said}"
    return Answer(
        CONCLUSIONS,
        f"{question.rstrip('. ')} – {judged}" if question else f"{recorded.name}: {judged}",
        tables=(Table("statements", "Statements and their evidence", STATEMENT_COLUMNS, rows),),
        remarks=(*dangers, *own, Remark(Level.NOTE, DASH_MEANS), Remark(Level.NOTE, ORDERS)),
        not_judged=(NotJudged("in part or not at all", f"see the chapters {listed(open_)}"),) if open_ else (),
        document={
            "question": question,
            "statements": [dict(zip(("statement", "verdict", "evidence"), row, strict=True)) for row in rows],
        },
    )
