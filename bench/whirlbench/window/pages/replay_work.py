"""The work behind the replay and the spectrum of a span, each in a process of its own (see ``worker``). No Qt here."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from whirlbench.errors import AnalysisError, BenchError, RigError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run, TachPulses, VibrationSamples
from whirlbench.window.pages.page_work import Answers, Subject
from whirlbench.window.pages.worker import Doing, Early, Refusal
from whirlbench.window.replay.recorded_run import FoundMoments, RecordedRun
from whirlbench.window.replay.second_run import SecondRun


def replay_work(subject: Subject) -> Answers:
    """The recorded run, then what a diagnosis marks in it. A question is the path of a second run to lay over it."""
    yield Doing(f"reading {subject.recording.name if subject.recording is not None else 'the recording'}")
    run = subject.run()
    recorded = recorded_run(subject, run)
    rig = recorded.rig
    yield Early(recorded)
    yield Doing("looking for the moments of a diagnosis")
    moments = found_moments(run, rig)
    run = replace(run, vibration=VibrationSamples(), tach=TachPulses())  # only its speed is asked for from now on
    beside = subject.beside
    if beside is None:
        beside = yield moments
    else:
        yield Early(moments)
    while True:
        beside = yield _second_run(run, Path(beside))


def recorded_run(subject: Subject, run: Run) -> RecordedRun:
    """``run`` with the limits that were in force: the rig's, or its plan's where they were stricter."""
    from whirlbench.results.in_force import limits_in_force

    rig, problems = _rig_to_show(subject, run)
    in_force = limits_in_force(run, rig)
    unread = tuple(f"{item.what}: {item.why}" for item in in_force.not_judged)
    return RecordedRun(run, in_force.rig, (*problems, *unread), in_force.narrowed)


def _rig_to_show(subject: Subject, run: Run) -> tuple[Rig, tuple[str, ...]]:
    """The rig, or an empty one and why: a run can be looked at without limits, if that is said."""
    from whirlbench.rig.toml import parse_rig

    try:
        found = subject.rig(run)
    except RigError as error:
        return parse_rig(""), (f"no limits are shown: {error}",)
    return (found, ()) if found is not None else (parse_rig(""), ("no limits are shown: the recording holds no rig",))


def found_moments(run: Run, rig: Rig | None) -> FoundMoments:
    """Onset, failure and trips of ``run``; a remark where they cannot be looked for."""
    from whirlbench.results.onset import moments, onset_study

    try:
        return FoundMoments(moments(onset_study(run, rig)))
    except BenchError as error:
        return FoundMoments((), f"the diagnosis has no marks: {error}")


def _second_run(first: Run, path: Path) -> SecondRun | Refusal:
    """The run at ``path``, with its moments of like speed; a refusal where it cannot be read."""
    from whirlbench.recording.files import read_run
    from whirlbench.results.diagnosis import align_on_rpm

    try:
        run = read_run(path)
        rig, _ = _rig_to_show(Subject(path), run)
    except BenchError as error:
        return Refusal(str(error))
    try:
        return SecondRun(run, rig, align_on_rpm(first, run))
    except AnalysisError as error:
        return SecondRun(run, rig, None, str(error))


def spectrum_work(subject: Subject) -> Answers:
    """Amplitude spectrum of the vibration; there is nothing to ask."""
    yield Doing("reading the recording")
    run = subject.run()
    yield Doing("averaging the spectrum")
    from whirlbench.results.vibration import spectrum_answer

    yield spectrum_answer(run)
