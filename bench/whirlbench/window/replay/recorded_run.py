"""What the replay is given by the process that reads a recording: the run, then what was found in it. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.results.onset import Moment
from whirlbench.rig.description import Rig
from whirlbench.samples import Run


@dataclass(frozen=True)
class RecordedRun:
    """A run as the replay needs it, with the rig whose limits are shown and what was wrong with either.

    ``narrowed`` says which limits are those of the run's plan; empty where none is.
    """

    run: Run
    rig: Rig
    problems: tuple[str, ...] = ()
    narrowed: str = ""


@dataclass(frozen=True)
class FoundMoments:
    """What the diagnosis found to be marked in the replay; ``remark`` says why there is nothing."""

    moments: tuple[Moment, ...]
    remark: str = ""
