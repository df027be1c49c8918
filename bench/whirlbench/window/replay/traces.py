"""The curves of a replay as plain data: every recorded channel, and vibration as the trip sees it. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from whirlbench.results.labels import label
from whirlbench.rig.description import Rig
from whirlbench.safety.back_test.study import quantity
from whirlbench.safety.reading_errors import mark, reading_stderr, with_stderr
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Channel, Run
from whirlbench.window import shown_units
from whirlbench.window.drawing.decimation import Outline, outline_between
from whirlbench.window.drawing.strips import gap_s, limit_lines, reading_at

VIBRATION_RMS = Channel("vibration_g_rms", "g rms", "vibration over a window, mean removed: as the trip sees it")
COMPANIONS = {"rpm": "speed_request_rpm"}  # drawn behind: what was asked for
NAMES = {"rpm": "speed", "current_a": "current", "thrust_n": "thrust", "vibration_g_rms": "vibration"}
FIRST_SHOWN = ("rpm", "thrust_n", "current_a", "voltage_v", "throttle_us", "pitch_deg", "vibration_g_rms")
UNIT_WORDS = {"us": "µs", "deg": "°"}


@dataclass(frozen=True, eq=False)
class Trace:
    """One quantity against time, ``(n,)`` each; ``limit`` None where the rig sets none, ``behind`` a companion."""

    channel: Channel
    time_s: np.ndarray
    values: np.ndarray
    limit: float | None = None
    behind: Trace | None = None
    gap_s: float = math.inf  # samples that are further apart have lost ones between them
    doubt: Callable[[float], str] = lambda value: ""  # the error of a reading of ``value``, and whether it is prolonged

    @property
    def name(self) -> str:
        """What the quantity is called on the screen."""
        return NAMES.get(self.channel.name) or label(self.channel.name)

    @property
    def unit(self) -> str:
        """The unit as it is written on the screen."""
        return UNIT_WORDS.get(self.channel.unit, self.channel.unit)

    def seen(self, from_s: float, to_s: float, columns: int) -> Outline:
        """The line from ``from_s`` to ``to_s`` on ``columns`` pixels, reduced anew for just that stretch."""
        return outline_between(self.time_s, self.values, from_s, to_s, columns, self.gap_s)

    def at(self, time_s: float) -> float:
        """The last sample at or before ``time_s``; NaN before the first, and in a gap."""
        return reading_at(self.time_s, self.values, time_s, self.gap_s)

    def sample_before(self, time_s: float) -> float | None:
        """Time of the last sample before ``time_s``; None where there is none."""
        index = int(np.searchsorted(self.time_s, time_s, side="left")) - 1
        return float(self.time_s[index]) if index >= 0 else None

    def sample_after(self, time_s: float) -> float | None:
        """Time of the first sample after ``time_s``; None where there is none."""
        index = int(np.searchsorted(self.time_s, time_s, side="right"))
        return float(self.time_s[index]) if index < len(self.time_s) else None

    def extent(self, from_s: float, to_s: float) -> tuple[float, float] | None:
        """Least and greatest value of what is drawn of a stretch, companion included; None where nothing is."""
        found = [value for one in (self, self.behind) if one is not None for value in one._extremes(from_s, to_s)]
        return (min(found), max(found)) if found else None

    def _extremes(self, from_s: float, to_s: float) -> tuple[float, ...]:
        line = self.seen(from_s, to_s, 200)
        good = line.y[np.isfinite(line.y)]
        return (float(good.min()), float(good.max())) if len(good) else ()


Series = tuple[np.ndarray, np.ndarray]


def traces(run: Run, rig: Rig, vibration: Series | None = None) -> tuple[Trace, ...]:
    """Every quantity of which ``run`` holds at least one value, in the order in which they are shown.

    ``vibration``: (times, g rms) of the device's windows, where they are at hand.
    """
    vibration = quantity(run, rig, VIBRATION_RMS.name) if vibration is None else vibration
    found = {trace.channel.name: trace for trace in _all(run, rig, vibration)}
    companions = {COMPANIONS[name] for name in COMPANIONS if name in found}
    ordered = [*FIRST_SHOWN, *(name for name in found if name not in FIRST_SHOWN)]
    return tuple(
        replace(found[name], behind=found.get(COMPANIONS.get(name, "")))
        for name in ordered
        if name in found and name not in companions
    )


def _all(run: Run, rig: Rig, rms: Series) -> Iterator[Trace]:
    limits, slow, vibration = limit_lines(rig), run.slow, run.vibration
    slow_gap_s, vibration_gap_s = gap_s(slow.time_s), gap_s(vibration.time_s)
    for channel in SLOW_CHANNELS:
        if slow.has(channel.name):
            unit, limit = shown_units.unit(channel.unit), limits.get(channel.name)
            shown_limit = None if limit is None else limit * unit.factor + unit.zero
            values, told = unit.of(slow.channel(channel.name)), partial(_doubt, rig, channel.name, unit)
            yield Trace(shown_units.channel(channel), slow.time_s, values, shown_limit, gap_s=slow_gap_s, doubt=told)
    if len(rms[0]):
        told = partial(_doubt, rig, VIBRATION_RMS.name, shown_units.Unit(VIBRATION_RMS.unit))
        yield Trace(VIBRATION_RMS, *rms, limits.get(VIBRATION_RMS.name), gap_s=gap_s(rms[0]), doubt=told)
    for axis in VIBRATION_AXES:
        if vibration.has(axis.name):
            told, values = partial(_doubt, rig, axis.name, shown_units.Unit(axis.unit)), getattr(vibration, axis.name)
            yield Trace(axis, vibration.time_s, values, gap_s=vibration_gap_s, doubt=told)


def _doubt(rig: Rig, name: str, unit: shown_units.Unit, shown: float) -> str:
    """Error and mark of a reading that is shown in ``unit``; empty where neither is known."""
    value = (shown - unit.zero) / unit.factor
    stderr = reading_stderr(rig, name, value) * unit.factor
    return " ".join(filter(None, (with_stderr("", stderr).strip(), mark(rig, {name: value}))))
