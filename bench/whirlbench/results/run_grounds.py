"""What a result rests on, in words: what a recording lacks, whether its end was seen at rest, and whose rig judges.

One sentence each, the same beside every answer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from whirlbench.results.answer import Answer, Level, Remark
from whirlbench.results.labels import spoken
from whirlbench.rig.rules import FASTEST_REST_RPM
from whirlbench.samples import Run

STILL_TURNING_RPM = 100.0  # no out-runner holds less under power, and a coast-down soon falls below; our choice
NOBODY_KNOWS = "nobody knows whether the shaft still turned at its end"
TURNS_TO_REST = 4.0  # a rotor that comes to rest has no more left at its last mark; our choice
LAST_S = 2.0  # of the file: what it ends with, also at one reading a second; our choice


def run_remarks(run: Run, named: bool = False) -> Iterator[Remark]:
    """What is missing or damaged in a recording, and that its end was not seen at rest; ``named``: with its name."""
    name = f"{Path(run.source).name}: " if named and run.source else ""
    for text in run.problems:
        yield Remark(Level.CAUTION, f"{name}in the recording: {spoken(text)}")
    if text := end_words(run):
        yield Remark(Level.CAUTION, f"{name}{text}")


def end_words(run: Run) -> str:
    """Why the file does not show that the shaft came to rest; empty where it does, or where it holds no samples.

    A zero behind a tach that fell silent at speed is no rest.
    """
    if not len(run.slow.time_s):
        return ""
    rpm, end_s = last_rpm(run), float(run.slow.time_s[-1])
    if rpm > STILL_TURNING_RPM:
        told = f"the shaft still turned at the end of the file ({rpm:.0f} rpm at {end_s:.1f} s)"
        return f"{told}: what came after is not in it"
    if math.isnan(rpm):
        return f"{_blank_words(run)}: {NOBODY_KNOWS}"
    edge_rpm, turns_left = _last_turns(run)
    if edge_rpm > FASTEST_REST_RPM and turns_left > TURNS_TO_REST:
        return f"the tach fell silent at {edge_rpm:.0f} rpm ({run.tach.time_s[-1]:.1f} s): {NOBODY_KNOWS}"
    return ""


def last_rpm(run: Run) -> float:
    """The last speed told within the last two seconds of the slow samples; NaN where none was."""
    time_s, known = run.slow.time_s, _known(run)
    told = known[time_s[known] >= time_s[-1] - LAST_S] if len(known) else known
    return float(run.slow.channel("rpm")[told[-1]]) if len(told) else math.nan


def _known(run: Run) -> np.ndarray:
    """Places of the slow samples that tell a speed."""
    return np.flatnonzero(np.isfinite(run.slow.channel("rpm")))


def _blank_words(run: Run) -> str:
    known = _known(run)
    if not len(known):
        return "the file tells no speed"
    at_s, rpm = float(run.slow.time_s[known[-1]]), float(run.slow.channel("rpm")[known[-1]])
    return f"the file tells no speed after {at_s:.1f} s (then {rpm:.0f} rpm)"


def _last_turns(run: Run) -> tuple[float, float]:
    """Speed of the last turn that the tach saw, and the turns it would have gone on: 0 without two turns of pulses.

    Against a steady friction the square of the speed falls alike with every turn; one that did not slow goes on.
    """
    marks = run.tach.pulses_per_rev
    if len(run.tach.time_s) <= 2 * marks:
        return 0.0, 0.0
    before, last = (60.0 / np.diff(run.tach.time_s[[-1 - 2 * marks, -1 - marks, -1]])).tolist()
    slowed = before**2 - last**2
    return last, last**2 / slowed if slowed > 0.0 else math.inf


def own_rig_words(run: Run) -> str:
    """That the rig which judges is the recording's own."""
    name = Path(run.source).name or "the recording"
    return f"judged with the rig stored in {name}, as it was at that run; another is given with --rig"


def with_grounds(answer: Answer, runs: Sequence[Run], own_rig: bool = False) -> Answer:
    """``answer`` with what is to be said of the recordings it rests on; ``own_rig``: the first one's rig judged."""
    found = [remark for run in runs for remark in run_remarks(run, len(runs) > 1)]
    if own_rig and runs[0].rig_text.strip():
        found.append(Remark(Level.NOTE, own_rig_words(runs[0])))
    told = set(answer.remarks)
    return replace(answer, remarks=(*answer.remarks, *(remark for remark in found if remark not in told)))
