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

    def run(self) -> Run:
        """The recorded run; RecordingError when it cannot be read."""
        from whirlbench.recording.files import read_run

        assert self.recording is not None
        run = read_run(self.recording)
        return run if self.span_s is None else run.between(*self.span_s)

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
    from whirlbench.results.tune import compare_runs, retuned, study, tune_answer

    found, other = study(run, subject.rig(run)), subject.other_run()
    comparison = None
    if other is not None:
        yield Doing("comparing with the second recording")
        beside = (Path(other.source).stem, other, subject.rig(other))
        comparison = compare_runs(found, Path(run.source).stem, [beside])
    while True:
        time_s = yield tune_answer(found, (), comparison, foretold=False)
        found = retuned(found, time_s)


def limits_work(subject: Subject) -> Answers:
    """Pitch limits of the recording; a question is a tuple of speeds in rpm, or None for speeds of its own choice."""
    yield Doing("reading the recording")
    run = subject.run()
    rig = subject.needed_rig(run, "pitch limits")
    other = subject.other_run()
    yield Doing("finding settled holds, fitting thrust and power")
    from whirlbench.results.limits import at_speeds, limits_answer, limits_study, propose

    study = limits_study([run], rig, beside=[other] if other is not None else [])
    yield Early(limits_answer(study))
    proposal = propose(study)
    speeds = None
    while True:
        speeds = yield limits_answer(at_speeds(study, speeds), proposal)


def diagnosis_work(subject: Subject) -> Answers:
    """Onset, trips and orders of the recording, beside a second one where there is one; there is nothing to ask."""
    yield Doing("reading the recording")
    run, other = subject.run(), subject.other_run()
    yield Doing("orders, onset and back-tested trips")
    from whirlbench.results.diagnosis import diagnosis

    yield diagnosis(run, subject.rig(run), other)
