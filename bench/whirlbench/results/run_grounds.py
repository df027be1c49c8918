"""What a result rests on, in words: what a recording lacks, whether it ends before the run does, and whose rig judges.

One sentence each, the same beside every answer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from whirlbench.results.answer import Answer, Level, Remark
from whirlbench.results.labels import spoken
from whirlbench.samples import Run

STILL_TURNING_RPM = 100.0  # no out-runner holds less under power, and a coast-down soon falls below; our choice
LAST_S = 2.0  # of the file: what it ends with, also at one reading a second; our choice


def run_remarks(run: Run, named: bool = False) -> Iterator[Remark]:
    """What is missing or damaged in a recording, and that it ends while the shaft turns; ``named``: with its name."""
    name = f"{Path(run.source).name}: " if named and run.source else ""
    for text in run.problems:
        yield Remark(Level.CAUTION, f"{name}in the recording: {spoken(text)}")
    rpm = last_rpm(run)
    if rpm > STILL_TURNING_RPM:
        end_s = float(run.slow.time_s[-1])
        text = f"the shaft still turned at the end of the file ({rpm:.0f} rpm at {end_s:.1f} s)"
        yield Remark(Level.CAUTION, f"{name}{text}: what came after is not in it")


def last_rpm(run: Run) -> float:
    """The last speed told within the last two seconds of the slow samples; NaN where none was."""
    time_s, rpm = run.slow.time_s, run.slow.rpm
    assert rpm is not None
    last = time_s >= time_s[-1] - LAST_S if len(time_s) else np.zeros(0, dtype=bool)
    known = np.flatnonzero(np.isfinite(rpm) & last)
    return float(rpm[known[-1]]) if len(known) else float("nan")


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
