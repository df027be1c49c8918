"""A second run laid over the first: by time, by an event that both have, or by speed. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.errors import AnalysisError
from whirlbench.results.diagnosis import Alignment
from whirlbench.results.labels import spoken
from whirlbench.rig.description import Rig
from whirlbench.samples import Event, Run
from whirlbench.window.replay.traces import Trace, traces

BY_TIME, BY_SPEED, BY_EVENT = "the beginning", "speed", "event"


@dataclass(frozen=True, eq=False)
class SecondRun:
    """The run beside, and ``by_speed``, which of its moments belong to which of the first; None where none can."""

    run: Run
    rig: Rig
    by_speed: Alignment | None = None
    remark: str = ""  # why the runs cannot be aligned on speed

    def ways(self, first: Run) -> tuple[str, ...]:
        """What both runs can be aligned by: the beginning, speed, and every event that both have."""
        speed = (BY_SPEED,) if self.by_speed is not None else ()
        return (BY_TIME, *speed, *shared_events(first.events, self.run.events))

    def over(self, first: Run, way: str) -> Mapping[str, Trace]:
        """The second run's traces by channel name, on the time of the first; AnalysisError for a way there is not."""
        if way not in self.ways(first):
            raise AnalysisError(f"runs cannot be aligned by {way!r}: expected one of {', '.join(self.ways(first))}")
        own = {trace.channel.name: trace for trace in traces(self.run, self.rig)}
        if way == BY_SPEED and self.by_speed is not None:
            return {name: _warped(trace, self.by_speed) for name, trace in own.items()}
        shift_s = self.shift_s(first, way)
        return {name: replace(trace, time_s=trace.time_s + shift_s, behind=None) for name, trace in own.items()}

    def shift_s(self, first: Run, way: str) -> float:
        """What is added to the times of the second run."""
        if way == BY_TIME:
            return _begins_s(first) - _begins_s(self.run)
        return _first_of(first.events, way) - _first_of(self.run.events, way)


def shared_events(first: tuple[Event, ...], second: tuple[Event, ...]) -> tuple[str, ...]:
    """Words of the events that both runs have, in the order of the first; a note is nobody's event but its run's."""
    theirs = {_words(event) for event in second}
    return tuple(dict.fromkeys(_words(event) for event in first if event.kind != "note" and _words(event) in theirs))


def _words(event: Event) -> str:
    return f"{event.kind}: {spoken(event.name)}"


def _first_of(events: tuple[Event, ...], words: str) -> float:
    return next(event.time_s for event in events if _words(event) == words)


def _begins_s(run: Run) -> float:
    starts = [float(one.time_s[0]) for one in (run.slow, run.tach, run.vibration) if len(one.time_s)]
    return min(starts, default=0.0)


def _warped(trace: Trace, alignment: Alignment) -> Trace:
    """The trace at the moments of like speed: a reading for each moment of the first run, NaN where there is none."""
    index = np.searchsorted(trace.time_s, np.nan_to_num(alignment.second_s, nan=-math.inf), side="right") - 1
    known = (index >= 0) & np.isfinite(alignment.second_s)
    values = np.where(known, np.asarray(trace.values, float)[np.maximum(index, 0)], np.nan)
    return replace(trace, time_s=alignment.first_s, values=values, behind=None, gap_s=math.inf)
