"""How much of a run its sensors speak for: where they were silent, the silence of a limit tells nothing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.back_test.feeding import window_begins
from whirlbench.samples import Run

LONGEST_GAP = 3.0  # usual intervals between two slow samples; a longer one is a gap, our choice
SILENT_S = 1.0  # a tach that is silent for longer is at rest or lost: below 60 rpm nothing here runs


class SensorShares:
    """Shares of a run during which sensors spoke; what several limits ask is worked out once.

    A sensor is a slow channel, "speed" (tach pulses, else the channel ``rpm``), "tach" (pulses alone) or "vibration"
    (whole windows, which is told by itself). A slow sample counts until the next one; blanks and gaps do not.
    """

    def __init__(self, run: Run, rig: Rig) -> None:
        self.run, self._rig = run, rig
        self._whole_s = run.duration_s()
        self._good: dict[str, np.ndarray] = {}
        self._known: dict[tuple[str, ...], float] = {}

    def share(self, sensors: Sequence[str]) -> float:
        """Share of the run, 0 to 1, in which all of ``sensors`` spoke together; 0 for a run of a single moment."""
        key = tuple(sensors)
        if key not in self._known:
            self._known[key] = self._share(key) if self._whole_s > 0.0 else 0.0
        return self._known[key]

    def _share(self, sensors: tuple[str, ...]) -> float:
        if "vibration" in sensors:
            rest = [name for name in sensors if name != "vibration"]
            shaken = self._windows_s / self._whole_s
            return min(shaken, self.share(rest)) if rest else shaken
        pulses = len(self.run.tach.time_s) > 1
        if "tach" in sensors and not pulses:
            return 0.0
        named = [
            ("rpm" if name == "speed" else name)
            for name in sensors
            if name != "tach" and (name != "speed" or not pulses)
        ]
        slow = self._together_s(named) / self._whole_s if named else 1.0
        marked = 1.0 - self._silent_s / self._whole_s if pulses and {"speed", "tach"} & set(sensors) else 1.0
        return float(np.clip(min(slow, marked), 0.0, 1.0))

    @cached_property
    def _windows_s(self) -> float:
        """Seconds in whole, gapless windows of vibration."""
        vibration, length = self.run.vibration, self._rig.limits.vibration_window_samples
        axes = vibration.axes()
        if not axes or vibration.rate_hz <= 0.0:
            return 0.0
        begins = window_begins(vibration, length)
        if not len(begins):
            return 0.0
        bad = np.concatenate([_blanks(getattr(vibration, axis)) for axis in axes])
        window = np.searchsorted(begins, bad, side="right") - 1
        spoilt = np.unique(window[(window >= 0) & (bad < begins[window] + length)])
        return float(len(begins) - len(spoilt)) * length / vibration.rate_hz

    def _together_s(self, names: Sequence[str]) -> float:
        """Seconds during which the slow channels ``names`` all held a value; one value by itself is none."""
        if len(self.run.slow.time_s) < 2:
            return 0.0
        for name in names:
            if name not in self._good:
                self._good[name] = np.isfinite(self.run.slow.channel(name))
        good = np.all([self._good[name] for name in names], axis=0)
        return float(self._held_s[good].sum()) if good.sum() > 1 else 0.0

    @cached_property
    def _held_s(self) -> np.ndarray:
        """For how long each slow sample counts."""
        step_s = np.diff(self.run.slow.time_s)
        usual_s = float(np.median(step_s))
        return np.append(np.where(step_s <= LONGEST_GAP * usual_s, step_s, usual_s), usual_s)

    @cached_property
    def _silent_s(self) -> float:
        """Seconds in which the tach ought to have spoken and nothing says so: driven, or turning by the speed channel.

        Where throttle and limit are known, silence is what the limit of lost tach watches, and no gap.
        """
        slow = self.run.slow
        if slow.has("throttle_us") and self._rig.limits.lost_tach_ms is not None:
            return 0.0
        marks_s = np.sort(np.concatenate((self.run.tach.time_s, slow.time_s[[0, -1]] if len(slow.time_s) else [])))
        long = np.flatnonzero(np.diff(marks_s) > SILENT_S)
        return sum(self._unexplained_s(float(marks_s[at]), float(marks_s[at + 1])) for at in long)

    def _unexplained_s(self, from_s: float, to_s: float) -> float:
        """The part of a silence in which neither a closed throttle nor a speed of zero says that the shaft rests."""
        part = self.run.slow.between(from_s, to_s)
        if not len(part.time_s):
            return to_s - from_s
        rest = (part.channel("throttle_us") <= self._rig.throttle.safe_us) | (part.channel("rpm") <= 0.0)
        return (to_s - from_s) * float(1.0 - rest.mean())


def _blanks(values: np.ndarray) -> np.ndarray:
    """Rows that hold no number."""
    rows: np.ndarray = np.flatnonzero(~np.isfinite(values))
    return rows
