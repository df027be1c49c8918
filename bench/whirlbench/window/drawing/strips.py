"""What the window shows, as plain data: no Qt here, so that it is tested without a screen."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.results.labels import event_words
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import WITH_MARGIN
from whirlbench.safety.back_test.study import quantity
from whirlbench.safety.margins import Margin, margins
from whirlbench.samples import SLOW_CHANNELS, Channel, Event, Run, usual_interval_s
from whirlbench.window import shown_units

VIBRATION = Channel("vibration_g", "g", "acceleration magnitude, all measured axes")
LOST_PERIODS = 3.0  # samples further apart than this have others missing between them
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
    ``vibration``: (times, g rms) of the device's windows, mean removed, as its trip saw them; found where not given.
    """

    run: Run
    rig: Rig
    cursor_s: float
    narrowed: str = ""
    vibration: tuple[np.ndarray, np.ndarray] | None = None
    gaps_s: tuple[float, float] | None = None  # of slow samples and of vibration: found once, for it takes its time

    def __post_init__(self) -> None:
        if self.vibration is None:
            object.__setattr__(self, "vibration", quantity(self.run, self.rig, "vibration_g_rms"))
        if self.gaps_s is None and self.vibration is not None:
            object.__setattr__(self, "gaps_s", (gap_s(self.run.slow.time_s), gap_s(self.vibration[0])))

    def moved_to(self, time_s: float) -> Replay:
        """The same run with the cursor at ``time_s``, kept inside the run."""
        first, last = self.span_s()
        return replace(self, cursor_s=min(max(time_s, first), last))

    def span_s(self) -> tuple[float, float]:
        """From the first sample of any stream to the last; (0, 1) for an empty run."""
        streams = [one.time_s for one in (self.run.slow, self.run.tach, self.run.vibration) if len(one.time_s)]
        if not streams:
            return 0.0, 1.0
        return min(float(time_s[0]) for time_s in streams), max(float(time_s[-1]) for time_s in streams)

    def readings(self) -> dict[str, float]:
        """Channel values at the cursor, NaN where not recorded and where samples were lost."""
        slow, at_s = self.run.slow, self.cursor_s
        assert self.vibration is not None and self.gaps_s is not None
        found = {
            channel.name: reading_at(slow.time_s, slow.channel(channel.name), at_s, self.gaps_s[0])
            for channel in SLOW_CHANNELS
        }
        return found | {"vibration_g_rms": reading_at(*self.vibration, at_s, self.gaps_s[1])}

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


def gap_s(time_s: np.ndarray) -> float:
    """The distance of samples from which on others are missing between them; infinite where no period is known."""
    return LOST_PERIODS * usual_interval_s(time_s) if len(time_s) > 2 else math.inf


def reading_at(time_s: np.ndarray, values: np.ndarray, at_s: float, gap: float) -> float:
    """The last of the samples at or before ``at_s``; NaN before the first, and ``gap`` or more after one."""
    index = int(np.searchsorted(time_s, at_s, side="right")) - 1
    if index < 0 or at_s - time_s[index] > gap:
        return math.nan
    return float(values[index])


def describe(event: Event) -> str:
    """One line for an event list."""
    return shown_units.text(f"{event.time_s:9.3f} s  {event.kind}: {event_words(event)}")
