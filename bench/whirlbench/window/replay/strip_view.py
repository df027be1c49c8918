"""What a replay shows: which strips, which stretch, on which scales, and where the cursor is. No Qt here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from whirlbench.results.chart import HEADROOM
from whirlbench.window.replay.run_marks import Mark
from whirlbench.window.replay.time_span import TimeSpan
from whirlbench.window.replay.traces import FIRST_SHOWN, Trace

Scale = tuple[float, float]
LIMIT_SHARE = 0.5  # what is seen fills at least so much of a strip: a limit further off is told at its edge instead
WHOLE, SEEN = "the whole run", "what is seen"  # what a scale fits


@dataclass(frozen=True)
class StripView:
    """Everything that decides how the strips look.

    ``hidden``: names of channels that are not shown; ``fixed``: scales set by hand, by channel name; ``fits`` is what
    every other scale fits; ``beside`` holds a second run's traces by channel name, on the time of the first.
    """

    traces: tuple[Trace, ...]
    span: TimeSpan
    cursor_s: float
    marks: tuple[Mark, ...] = ()
    hidden: frozenset[str] = frozenset()
    fixed: Mapping[str, Scale] = field(default_factory=dict)
    fits: str = SEEN
    selected: tuple[float, float] | None = None
    beside: Mapping[str, Trace] = field(default_factory=dict)

    @classmethod
    def of_run(cls, traces: tuple[Trace, ...], span: TimeSpan, cursor_s: float, marks: tuple[Mark, ...]) -> StripView:
        """The view with which a replay opens: the whole run, without the channels that few look at."""
        hidden = frozenset(trace.channel.name for trace in traces if trace.channel.name not in FIRST_SHOWN)
        return cls(traces, span, cursor_s, marks, hidden)

    @property
    def shown(self) -> tuple[Trace, ...]:
        """The traces that have a strip, from top to bottom."""
        return tuple(trace for trace in self.traces if trace.channel.name not in self.hidden)

    def scale_of(self, trace: Trace) -> Scale:
        """What the y axis of a strip covers: set by hand, else what is to be fitted, and a limit that is near."""
        name = trace.channel.name
        if name in self.fixed:
            return self.fixed[name]
        span = self.span.whole() if self.fits == WHOLE else self.span
        both = [one.extent(span.from_s, span.to_s) for one in (trace, self.beside.get(name)) if one is not None]
        found = [value for extent in both if extent is not None for value in extent]
        low, high = (min(found), max(found)) if found else (0.0, 1.0)
        return _with_room(*_with_limit(low, high, trace.limit))

    def values_at(self, time_s: float) -> dict[str, float]:
        """Reading of each shown channel at a moment, by name; NaN where there is none."""
        return {trace.channel.name: trace.at(time_s) for trace in self.shown}

    def toggled(self, name: str, shown: bool) -> StripView:
        """With a channel shown or hidden; the last one stays."""
        hidden = self.hidden - {name} if shown else self.hidden | {name}
        kept = replace(self, hidden=frozenset(hidden))
        return kept if kept.shown else self

    def scaled(self, name: str, scale: Scale | None) -> StripView:
        """With the scale of a channel set by hand, or fitted again with None."""
        fixed = {other: held for other, held in self.fixed.items() if other != name}
        return replace(self, fixed=fixed if scale is None else {**fixed, name: scale})


def _with_limit(low: float, high: float, limit: float | None) -> Scale:
    """The extent with the limit in it, unless that would leave the curve less than LIMIT_SHARE of the height."""
    if limit is None:
        return low, high
    wide = (min(low, limit), max(high, limit))
    return wide if high - low >= LIMIT_SHARE * (wide[1] - wide[0]) else (low, high)


def _with_room(low: float, high: float) -> Scale:
    room = HEADROOM * (high - low) or max(abs(high) * HEADROOM, 0.5)
    return low - room, high + room


def limit_place(limit: float | None, scale: Scale) -> str:
    """Where a limit lies: "seen", "above" or "below" what the scale covers, or empty where the rig sets none."""
    if limit is None:
        return ""
    return "above" if limit > scale[1] else "below" if limit < scale[0] else "seen"
