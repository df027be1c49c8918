"""The host's ring: trip rules on engineering values, slower and broader than the microcontroller's.

Which rule watches which limit stands in the rows of ``rig.limits``; here are the rules those rows name. A rule is fed
batches of samples in order and answers with the first trip. How the stream is cut into batches changes nothing, so
that live decisions, replays and back-tests agree. NaN is never beyond a limit; what a live run must watch is ensured
before arming (``calibration.sensor_ranges``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig, require_number
from whirlbench.rig.device_slots import slot_values
from whirlbench.rig.limits import TICKS_PER_MINUTE, TRENDS, WITH_RULE, Limit
from whirlbench.safety.batch import Batch, Rule, Trip, VibrationBlock
from whirlbench.safety.device_rules import FrozenRule, OverspeedRule, VibrationRule
from whirlbench.safety.quantities import judged
from whirlbench.safety.tach_marks import TachMarks
from whirlbench.safety.trend_rules import TREND_RULES

__all__ = [
    "RULES",
    "SENSOR_RULES",
    "AccelerometerRule",
    "Batch",
    "LevelRule",
    "LoadCellRule",
    "LostTachRule",
    "Rule",
    "TachSpeedRule",
    "Trip",
    "VibrationBlock",
    "VibrationWindowRule",
    "host_rules",
    "live_rules",
    "trend_rules",
]

TICKS_PER_S = TICKS_PER_MINUTE / 60
VIBRATION_SILENCE_S = 0.5  # beside two windows; the device, the quicker ring, waits for 0.1 s


class LevelRule:
    """Trips when a slow quantity stays beyond ``limit`` for ``confirm_s``; zero trips on the first sample.

    ``quantity`` gives the values ``(n,)`` of a batch, or None when its channels are absent. The size of a quantity
    is watched where it may come with either sign: a reversed current clamp, or blades that push backwards, load the
    stand no less.
    """

    def __init__(
        self,
        name: str,
        limit: float,
        quantity: Callable[[Mapping[str, np.ndarray]], np.ndarray | None],
        confirm_s: float = 0.0,
        side: Side = Side.UPPER,
    ) -> None:
        self.name, self.limit, self.confirm_s, self.side = name, limit, confirm_s, side
        self._quantity = quantity
        self._since_s: float | None = None

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        values = self._quantity(batch.slow) if len(batch.time_s) else None
        if values is None:
            return None
        beyond = self._beyond(values)
        if not beyond.any():
            self._since_s = None
            return None
        held = beyond & (batch.time_s - self._started_s(batch.time_s, beyond) >= self.confirm_s)
        if not held.any():
            return None
        first = int(np.argmax(held))
        return Trip(self.name, float(batch.time_s[first]), float(values[first]), self.limit)

    def _beyond(self, values: np.ndarray) -> np.ndarray:
        if self.side == Side.LOWER:
            return values < self.limit
        return (np.abs(values) if self.side == Side.SIZE else values) > self.limit

    def _started_s(self, time_s: np.ndarray, beyond: np.ndarray) -> np.ndarray:
        """For each sample, since when the quantity has been beyond the limit (meaningless where it is not)."""
        before = np.concatenate(([self._since_s is not None], beyond[:-1]))
        carried = self._since_s if self._since_s is not None else -np.inf
        started_s = np.maximum.accumulate(np.where(beyond & ~before, time_s, carried))
        self._since_s = float(started_s[-1]) if beyond[-1] else None
        return started_s

    def reset(self) -> None:
        """Forgets since when."""
        self._since_s = None


class TachSpeedRule:
    """Overspeed from tach edges, by the device's own integer rule."""

    name = "overspeed_rpm"

    def __init__(self, rig: Rig) -> None:
        self.limit = float(rig.limits.overspeed_rpm or 0.0)
        self._marks = TachMarks(rig.tach.pulses_per_rev)
        self._per_minute = TICKS_PER_MINUTE * rig.tach.clock_correction
        self._rule = OverspeedRule(slot_values(rig)["OVERSPEED_TICKS"].counts, rig.limits.overspeed_confirm)

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        for edge_s, ticks in zip(batch.edges_s, np.rint(batch.edges_s * TICKS_PER_S).tolist(), strict=True):
            if self._marks.feed(int(ticks)) and self._rule.feed(self._marks.turn_ticks):
                return Trip(self.name, float(edge_s), self._per_minute / self._marks.turn_ticks, self.limit)
        return None

    def reset(self) -> None:
        """Forgets the marks."""
        self._rule.reset()
        self._marks.forget()


class VibrationWindowRule:
    """Vibration over windows, by the device's own integer rule on counts."""

    name = "vibration_g_rms"

    def __init__(self, rig: Rig) -> None:
        self.limit = float(rig.limits.vibration_g_rms or 0.0)
        self._g_per_count = rig.vibration.g_per_count
        self._rule = VibrationRule(slot_values(rig)["VIBRATION_COUNTS"].counts, rig.limits.vibration_window_samples)

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        for block in batch.vibration:
            counts = np.rint(block.acceleration_g / self._g_per_count).astype(np.int64)
            last = self._rule.feed(block.first_index, counts)
            if last is not None:
                value = self._rule.rms_counts() * self._g_per_count
                return Trip(self.name, float(block.time_s[last - block.first_index]), value, self.limit)
        return None

    def reset(self) -> None:
        """Forgets the window that is filling."""
        self._rule.reset()


class LostTachRule:
    """Trips when the motor is driven and no tach edge came for ``lost_tach_ms``.

    Driven means a throttle pulse from which the motor must turn. The first edge after rest may take
    ``start_tach_ms``: until it comes nobody knows the speed, so it has a limit as well. The value of the trip is the
    silence in ms.
    """

    name = "lost_tach_ms"

    def __init__(self, rig: Rig) -> None:
        self.limit_s = (rig.limits.lost_tach_ms or 0) / 1e3
        self._start_s, self._driven_us = rig.limits.start_tach_ms / 1e3, rig.throttle.min_us
        self._edge_s, self._since_s, self._was_driven = -np.inf, -np.inf, False

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None; without a throttle channel nothing can be said."""
        edges_s = np.concatenate(([self._edge_s], batch.edges_s))
        self._edge_s = float(edges_s[-1])
        throttle_us = batch.slow.get("throttle_us")
        if throttle_us is None or not len(batch.time_s):
            return None
        driven = throttle_us >= self._driven_us
        since_s = self._driven_from(batch.time_s, driven)
        edge_s = edges_s[np.maximum(np.searchsorted(edges_s, batch.time_s, side="right") - 1, 0)]
        silence_s = batch.time_s - np.maximum(edge_s, since_s)
        allowed_s = np.where(edge_s > since_s - self.limit_s, self.limit_s, self._start_s)
        lost = driven & (silence_s > allowed_s)
        if not lost.any():
            return None
        first = int(np.argmax(lost))
        allowed_ms = float(allowed_s[first]) * 1e3
        return Trip(self.name, float(batch.time_s[first]), float(silence_s[first]) * 1e3, allowed_ms)

    def _driven_from(self, time_s: np.ndarray, driven: np.ndarray) -> np.ndarray:
        before = np.concatenate(([self._was_driven], driven[:-1]))
        since_s = np.maximum.accumulate(np.where(driven & ~before, time_s, self._since_s))
        self._since_s, self._was_driven = float(since_s[-1]), bool(driven[-1])
        return since_s

    def reset(self) -> None:
        """Forgets edges and drive."""
        self._edge_s, self._since_s, self._was_driven = -np.inf, -np.inf, False


class AccelerometerRule:
    """Trips when one axis gave ``frozen_samples`` equal samples, or when vibration could not be judged for a while.

    A part that is frozen or at its rail would pass for perfectly calm: the device's own integer rule on counts, the
    value of the trip is that axis, in g. So would one that is silent, or whose every window has a gap: that trip is
    ``vibration_silence_s``, its value the time without a window that was judged.
    """

    name = "frozen_samples"

    def __init__(self, rig: Rig) -> None:
        self.limit = float(rig.limits.frozen_samples)
        window = rig.limits.vibration_window_samples
        self.silence_s = VIBRATION_SILENCE_S + 2 * window / rig.vibration.rate_hz
        self._g_per_count = rig.vibration.g_per_count
        self._rule = FrozenRule(rig.limits.frozen_samples)
        self._windows = VibrationRule(0, window)
        self._judged_s = math.nan

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        for block in batch.vibration:
            counts = np.rint(block.acceleration_g / self._g_per_count).astype(np.int64)
            place = self._rule.feed(counts)
            if place is not None:
                return Trip(self.name, float(block.time_s[place]), self._rule.counts * self._g_per_count, self.limit)
            self._count_windows(block, counts)
        return self._silence(batch.time_s)

    def _count_windows(self, block: VibrationBlock, counts: np.ndarray) -> None:
        before = self._windows.windows_judged
        self._windows.feed(block.first_index, counts)
        if self._windows.windows_judged > before:
            self._judged_s = float(block.time_s[-1])

    def _silence(self, time_s: np.ndarray) -> Trip | None:
        """Counted from the first slow sample on, until a window was judged."""
        if not len(time_s):
            return None
        if math.isnan(self._judged_s):
            self._judged_s = float(time_s[0])
        silent = time_s - self._judged_s > self.silence_s
        if not silent.any():
            return None
        at_s = float(time_s[np.argmax(silent)])
        return Trip("vibration_silence_s", at_s, at_s - self._judged_s, self.silence_s)

    def reset(self) -> None:
        """Forgets the samples."""
        self._rule.reset()
        self._windows.reset()
        self._judged_s = math.nan


class LoadCellRule:
    """Trips when the load cell made no conversion for a whole count: its last reading would stand for ever.

    The thrust limit would then watch a number that no longer changes. Without counts, as in a replay, it is silent.
    """

    name = "load_cell_readings"

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        silent = [time_s for time_s, readings in batch.load_cell if readings == 0]
        return Trip(self.name, silent[0], 0.0, 1.0) if silent else None

    def reset(self) -> None:
        """Nothing is remembered."""


def _overspeed(limit: Limit, rig: Rig, speed_from_tach: bool) -> Rule:
    if speed_from_tach:
        return TachSpeedRule(rig)
    return LevelRule(limit.key, float(limit.value(rig.limits) or 0.0), lambda slow: judged(limit, rig, slow))


def _level(limit: Limit, rig: Rig, _: bool) -> Rule:
    number, confirm_s = float(limit.value(rig.limits) or 0.0), rig.limits.confirm_ms / 1e3
    return LevelRule(limit.key, number, lambda slow: judged(limit, rig, slow), confirm_s, limit.watch.side)


RULES: dict[str, Callable[[Limit, Rig, bool], Rule]] = {
    "overspeed": _overspeed,
    "vibration window": lambda _, rig, __: VibrationWindowRule(rig),
    "level": _level,
    "lost tach": lambda _, rig, __: LostTachRule(rig),
}
SENSOR_RULES: dict[str, Callable[[Rig], Rule]] = {
    "load cell": lambda _: LoadCellRule(),
    "accelerometer": AccelerometerRule,
}


def host_rules(rig: Rig, speed_from_tach: bool = True) -> tuple[Rule, ...]:
    """The rules for every limit that ``rig`` sets, then the trends that it makes trips.

    Without tach edges overspeed is judged on the slow ``rpm``. RigError names a key that a limit in use needs and the
    rig lacks.
    """
    limits = [limit for limit in WITH_RULE if limit.value(rig.limits) is not None]
    for limit in limits:
        for path in limit.watch.needs:
            require_number(rig, path, f"the limit {limit.key}")
    rules = (RULES[limit.watch.rule](limit, rig, speed_from_tach) for limit in limits)
    return (*rules, *trend_rules(rig, trips=True))


def trend_rules(rig: Rig, trips: bool = False) -> tuple[Rule, ...]:
    """The trends that caution, or those that ``rig`` makes ``trips``."""
    chosen = [trend for trend in TRENDS if (trend.key in rig.limits.trend_trips) == trips]
    return tuple(
        TREND_RULES[trend.watch.rule](trend.key, float(trend.value(rig.limits) or 0.0), rig) for trend in chosen
    )


def live_rules(rig: Rig) -> tuple[Rule, ...]:
    """``host_rules``, and those that watch the sensors themselves while the stand is live."""
    names = [limit.watch.sensor_rule for limit in WITH_RULE if limit.value(rig.limits) is not None]
    return (*host_rules(rig), *(SENSOR_RULES[name](rig) for name in names if name))
