"""The work behind the window's analysis pages, each run in a process of its own (see ``worker``). No Qt here.

Each is a generator: lines on what it is doing, then the page's state, then a state for every question put to it.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from whirlbench.errors import RigError
from whirlbench.window.pages.worker import Doing, Early

if TYPE_CHECKING:
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run

WANTED_GRADE_MM_S = 6.3  # as `balance` takes it where nobody asks for another
Answers = Generator[Any, Any, None]


@dataclass(frozen=True)
class Subject:
    """What the pages are about: a recording, a second one beside it, a rig file's text and its name.

    ``rig_text`` empty means the rig that is stored in the recording; ``span_s`` keeps to a stretch of it, None to all.
    """

    recording: Path | None = None
    beside: Path | None = None
    rig_text: str = ""
    rig_name: str = "rig"
    span_s: tuple[float, float] | None = None
    log_path: Path | None = None  # of blade sets; None is the user's own
    simulated: bool = False  # a stand without hardware: its runs have a log of their own; a recording says so itself

    def run(self) -> Run:
        """The recorded run; RecordingError when it cannot be read."""
        from whirlbench.recording.files import read_run

        assert self.recording is not None
        run = read_run(self.recording)
        return run if self.span_s is None else run.between(*self.span_s)

    def slow_run(self) -> Run | None:
        """The recorded run without its vibration, for who asks only for its rig; None where none was named."""
        from whirlbench.recording.files import read_run

        return None if self.recording is None else read_run(self.recording, vibration=False)

    def is_simulated(self) -> bool:
        """Whether the run, or the stand, is simulated."""
        from whirlbench.log.run_use import SIMULATED_ORIGIN
        from whirlbench.recording.files import open_recording

        if self.recording is None:
            return self.simulated
        with open_recording(self.recording) as recording:
            return recording.attributes.origin.startswith(SIMULATED_ORIGIN)

    def other_run(self) -> Run | None:
        """The run to be laid beside, None when none was named."""
        from whirlbench.recording.files import read_run

        return None if self.beside is None else read_run(self.beside)

    def rig(self, run: Run | None = None) -> Rig | None:
        """The rig of the file, else the one stored with ``run``, None when there is neither; RigError when faulty."""
        from whirlbench.rig.toml import parse_rig

        if self.rig_text.strip():
            return parse_rig(self.rig_text, self.rig_name)
        if run is not None and run.rig_text.strip():
            return parse_rig(run.rig_text, f"rig stored in {run.source}")
        return None

    def needed_rig(self, run: Run | None, purpose: str) -> Rig:
        """Like ``rig``; RigError where there is none, naming ``purpose``."""
        found = self.rig(run)
        if found is None:
            raise RigError(f"no rig: the recording holds none and --rig was not given; {purpose} needs one")
        return found


def check_work(subject: Subject) -> Answers:
    """Strength of every blade set.

    A question is the number of the set to be told in detail, in the rig's order, or the text of a what-if study of
    the set that is shown; a text that cannot be read is answered by a caution.
    """
    yield Doing("loads, stresses and permitted speed of every blade set")
    from whirlbench.results.answer import Level, Remark
    from whirlbench.results.check import check_answer, check_strength, what_if

    run = subject.run() if subject.recording is not None and not subject.rig_text.strip() else None
    rig = subject.needed_rig(run, "the check")
    check = check_strength(rig)
    name, question = check.fitted.name, (yield check_answer(check, rig))
    while True:
        if not isinstance(question, str):
            name = check.designs[question].name
            question = yield check_answer(check, rig, name)
            continue
        try:
            varied = what_if(rig, question, name)
        except RigError as error:
            answer = check_answer(check, rig, name)
            question = yield replace(answer, remarks=(Remark(Level.CAUTION, str(error)), *answer.remarks))
        else:
            question = yield check_answer(check, rig, name, varied)


def tune_work(subject: Subject) -> Answers:
    """Study of the speed loop; a question is a closed-loop time in s, or None for the one that the rule gives."""
    yield Doing("reading the recording")
    run = subject.run()
    yield Doing("finding steps and fitting models to them")
    from whirlbench.results.run_grounds import with_grounds
    from whirlbench.results.tune import compare_runs, retuned, study, tune_answer

    found, other = study(run, subject.rig(run)), subject.other_run()
    comparison = None
    if other is not None:
        yield Doing("comparing with the second recording")
        beside = (Path(other.source).stem, other, subject.rig(other))
        comparison = compare_runs(found, Path(run.source).stem, [beside])
    while True:
        time_s = yield with_grounds(tune_answer(found, (), comparison, foretold=False), [run], not subject.rig_text)
        found = retuned(found, time_s)


def limits_work(subject: Subject) -> Answers:
    """Pitch limits of the recording; a question is a tuple of speeds in rpm, or None for speeds of its own choice."""
    yield Doing("reading the recording")
    run = subject.run()
    rig = subject.needed_rig(run, "pitch limits")
    other = subject.other_run()
    yield Doing("finding settled holds, fitting thrust and power")
    from whirlbench.results.limits import at_speeds, limits_answer, limits_study, propose
    from whirlbench.results.run_grounds import with_grounds

    runs = [run] if other is None else [run, other]
    study = limits_study([run], rig, beside=runs[1:])
    yield Early(with_grounds(limits_answer(study), runs, not subject.rig_text))
    proposal = propose(study)
    speeds = None
    while True:
        answer = limits_answer(at_speeds(study, speeds), proposal)
        speeds = yield with_grounds(answer, runs, not subject.rig_text)


def diagnosis_work(subject: Subject) -> Answers:
    """Onset, trips and orders of the recording, beside a second one where there is one; there is nothing to ask."""
    yield Doing("reading the recording")
    run, other = subject.run(), subject.other_run()
    yield Doing("orders, onset and back-tested trips")
    from whirlbench.results.diagnosis import diagnosis

    yield diagnosis(run, subject.rig(run), other)


def compare_work(subject: Subject) -> Answers:
    """The recording beside the second one, as the report of both puts it; there is nothing to ask."""
    from whirlbench.results.report import RecordedRun, side_by_side

    assert subject.recording is not None and subject.beside is not None
    yield Doing("reading both recordings")
    rig = subject.rig()
    first, second = (RecordedRun.read(path, rig) for path in (subject.recording, subject.beside))
    yield Doing("holds at like speed and pitch, coefficients, permitted speeds")
    yield side_by_side(first, second)


@dataclass(frozen=True)
class BalanceQuestion:
    """The run with the trial mass, that mass and where it was, and over how many holes to split the correction."""

    trial: Path
    trial_mass_g: float
    trial_angle_deg: float
    radius_mm: float
    holes: int | None = None


NO_TRIAL = (
    "choose the run with the trial mass, and say how heavy it was and where it was fitted; without one, run the same "
    "plan once more with a known mass at a known angle"
)


def balance_work(subject: Subject) -> Answers:
    """Single-plane correction of the recording; a question is a BalanceQuestion."""
    yield Doing("reading the recording")
    from whirlbench.errors import BenchError
    from whirlbench.recording.files import read_run
    from whirlbench.results.answer import not_judged
    from whirlbench.results.balance import SUBJECT, Fitting, balance_of_runs

    run = subject.run()
    rig = subject.rig(run)
    rotor_kg = None if rig is None else rig.propeller.rotor_kg
    question = yield not_judged(SUBJECT, NO_TRIAL)
    while True:
        fitting = Fitting(question.radius_mm, WANTED_GRADE_MM_S, rotor_kg, question.holes)
        try:
            trial = read_run(question.trial)
        except BenchError as error:
            question = yield not_judged(SUBJECT, str(error))
        else:
            question = yield balance_of_runs(
                run, trial, question.trial_mass_g, question.trial_angle_deg, fitting, rig=rig
            )


def log_work(subject: Subject) -> Answers:
    """What the log knows of the blade set that the rig names; nothing is written, and no log is begun."""
    yield Doing("reading the log of blade sets")
    from whirlbench.errors import LogError
    from whirlbench.log import SetLog, default_path, standing
    from whirlbench.results.set_log import set_log_answer

    simulated = subject.is_simulated()
    rig = subject.needed_rig(subject.slow_run(), "the log")
    name, path = rig.propeller.blade_set, subject.log_path or default_path(simulated)
    if name is None:
        raise RigError("the rig names no blade set: give propeller.blade_set, and [blade_sets.NAME] for it")
    if not path.exists():
        raise LogError(f"{path}: there is no log yet; the first run of a set begins it, or `whirlbench log add`")
    with SetLog(path, simulated) as log:
        entries = log.entries(name)
    yield set_log_answer(entries, standing(entries, rig, name))
