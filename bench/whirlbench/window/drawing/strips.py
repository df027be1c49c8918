"""What the window shows, as plain data: no Qt here, so that it is tested without a screen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.rig.limits import WITH_MARGIN
from whirlbench.safety.margins import Margin, margins
from whirlbench.samples import SLOW_CHANNELS, Channel, Event, Run

VIBRATION = Channel("vibration_g", "g", "acceleration magnitude, all measured axes")
BY_NAME = {channel.name: channel for channel in SLOW_CHANNELS}

# (quantity, companion drawn behind it): the strips of the spin and replay views, from top to bottom
STRIPS: list[tuple[Channel, Channel | None]] = [
    (BY_NAME["rpm"], BY_NAME["speed_request_rpm"]),
    (BY_NAME["thrust_n"], None),
    (BY_NAME["current_a"], None),
    (BY_NAME["voltage_v"], None),
    (BY_NAME["throttle_us"], None),
    (BY_NAME["pitch_deg"], None),
    (VIBRATION, None),
]


def limit_lines(rig: Rig) -> dict[str, float | None]:
    """Limits by the name of the strip they belong on."""
    alone = (limit for limit in WITH_MARGIN if len(limit.watch.channels) == 1 and limit.watch.factor is None)
    return {limit.watch.channels[0]: limit.value(rig.limits) for limit in alone}


@dataclass(frozen=True)
class Replay:
    """A recorded run with a place in time; ``rig`` with the limits in force, ``narrowed`` the plan's of them in words.

    ``cursor_s`` is on the run's own clock. Readings at the cursor are those of the last sample at or before it.
    """

    run: Run
    rig: Rig
    cursor_s: float
    narrowed: str = ""

    def moved_to(self, time_s: float) -> Replay:
        """The same run with the cursor at ``time_s``, kept inside the run."""
        first, last = self.span_s()
        return replace(self, cursor_s=min(max(time_s, first), last))

    def span_s(self) -> tuple[float, float]:
        """First and last time of the slow samples, or of the tach when there are none; (0, 1) for an empty run."""
        for stream in (self.run.slow, self.run.tach, self.run.vibration):
            if len(stream.time_s):
                return float(stream.time_s[0]), float(stream.time_s[-1])
        return 0.0, 1.0

    def readings(self) -> dict[str, float]:
        """Channel values at the cursor, NaN where not recorded."""
        slow = self.run.slow
        index = int(np.searchsorted(slow.time_s, self.cursor_s, side="right")) - 1
        if index < 0:
            return {channel.name: math.nan for channel in SLOW_CHANNELS}
        values = {channel.name: float(slow.channel(channel.name)[index]) for channel in SLOW_CHANNELS}
        values["vibration_g_rms"] = self._vibration_g_rms()
        return values

    def _vibration_g_rms(self) -> float:
        """Windowed RMS, mean removed, over the window that ends at the cursor: as the trip sees it."""
        vibration = self.run.vibration
        last = int(np.searchsorted(vibration.time_s, self.cursor_s, side="right"))
        first = last - self.rig.limits.vibration_window_samples
        if first < 0:
            return math.nan
        variances = [np.var(getattr(vibration, name)[first:last], dtype=float) for name in vibration.axes()]
        return float(np.sqrt(sum(variances))) if variances else math.nan

    def margins(self) -> tuple[Margin, ...]:
        """Margins at the cursor to the limits that the rig sets."""
        return margins(self.rig, self.readings())

    def state(self) -> tuple[str, str]:
        """Stand state at the cursor and a remark: the latest trip, abort, caution or plan step before it."""
        state, remark = "", ""
        for event in self.run.events:
            if event.time_s > self.cursor_s:
                break
            if event.kind == "state":
                state = event.name
            elif event.kind in ("trip", "abort", "plan", "caution"):
                remark = describe(event)
        return state, remark


def describe(event: Event) -> str:
    """One line for an event list."""
    words = f"{event.time_s:9.3f} s  {event.kind}: {event.name}"
    return f"{words} ({event.detail})" if event.detail else words


def vibration_magnitude_g(axes: Mapping[str, np.ndarray]) -> np.ndarray:
    """Magnitude over the axes that were measured, mean removed from each; ``(n,)``, empty without any axis."""
    measured = [values - np.nanmean(values) for values in axes.values() if len(values) and np.isfinite(values).any()]
    if not measured:
        return np.empty(0)
    magnitude: np.ndarray = np.sqrt(np.sum(np.square(measured), axis=0))
    return magnitude
