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
    from whirlbench.window.pages.tune_state import Chart, TuneState

Answers = Generator[Any, Any, None]


@dataclass(frozen=True)
class Subject:
    """What the pages are about: a recording, a second one beside it, a rig file's text and its name.

    ``rig_text`` empty means the rig that is stored in the recording.
    """

    recording: Path | None = None
    beside: Path | None = None
    rig_text: str = ""
    rig_name: str = "rig"

    def run(self) -> Run:
        """The recorded run; RecordingError when it cannot be read."""
        from whirlbench.recording.files import read_run

        assert self.recording is not None
        return read_run(self.recording)

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
    """Strength of every blade set; a question is the number of the set to be told in detail, in the rig's order."""
    yield Doing("loads, stresses and permitted speed of every blade set")
    from whirlbench.results.check import check_answer, check_strength

    run = subject.run() if subject.recording is not None and not subject.rig_text.strip() else None
    rig = subject.needed_rig(run, "the check")
    check = check_strength(rig)
    number = yield check_answer(check, rig)
    while True:
        number = yield check_answer(check, rig, check.designs[number].name)


def tune_work(subject: Subject) -> Answers:
    """Study of the speed loop; a question is a closed-loop time in s, or None for the one that the rule gives."""
    yield Doing("reading the recording")
    run = subject.run()
    yield Doing("finding steps and fitting models to them")
    from whirlbench.analysis.governor.advice import advise
    from whirlbench.analysis.governor.study import study
    from whirlbench.window.pages.forecast_state import forecast_charts
    from whirlbench.window.pages.tune_state import tune_state

    rig, other = subject.rig(run), subject.other_run()
    found = study(run, rig)
    comparison = None
    if other is not None:
        yield Doing("comparing with the second recording")
        from whirlbench.analysis.governor.comparison import compare
        from whirlbench.analysis.speed_loop.identification import identify

        loops = [(Path(one.source).stem, loop) for one, loop in ((run, found.loop), (other, identify(other, rig)))]
        comparison = compare(loops)
    while True:
        state = tune_state(found, (), comparison)
        asked_s = found.advice.closed_loop_time_s if found.advice else None
        time_s = yield TuneAnswer(state, forecast_charts(found), asked_s)
        if found.advice is not None:
            found = replace(found, advice=advise(found.loop, rig, found.advice.lever, time_s))


@dataclass(frozen=True)
class TuneAnswer:
    """A TuneState, forecasts under its advice, and the closed-loop time of that; None where no gains are advised."""

    state: TuneState
    forecasts: tuple[Chart, ...]
    closed_loop_time_s: float | None


def limits_work(subject: Subject) -> Answers:
    """Pitch limits of the recording; a question is a tuple of speeds in rpm, or None for speeds of its own choice."""
    yield Doing("reading the recording")
    run = subject.run()
    rig = subject.needed_rig(run, "pitch limits")
    other = subject.other_run()
    yield Doing("finding settled holds, fitting thrust and power")
    from whirlbench.results.limits import at_speeds, limits_answer, limits_study, next_hold

    study = limits_study([run], rig, beside=[other] if other is not None else [])
    yield Early(limits_answer(study))
    proposal = next_hold(study)
    speeds = None
    while True:
        speeds = yield limits_answer(at_speeds(study, speeds), proposal)


def diagnosis_work(subject: Subject) -> Answers:
    """Onset, trips and orders of the recording, beside a second one where there is one; there is nothing to ask."""
    yield Doing("reading the recording")
    run, other = subject.run(), subject.other_run()
    yield Doing("orders, onset and back-tested trips")
    from whirlbench.window.pages.diagnosis_page_state import diagnosis_page

    yield diagnosis_page(run, subject.rig(run), other)
