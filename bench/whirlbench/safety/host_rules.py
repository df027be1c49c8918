"""The host's ring: trip rules on engineering values, slower and broader than the microcontroller's.

Which rule watches which limit stands in the rows of ``rig.limits``; here are the rules those rows name. A rule is fed
batches of samples in order and answers with the first trip. How the stream is cut into batches changes nothing, so
that live decisions, replays and back-tests agree. NaN is never beyond a limit; what a live run must watch is ensured
before arming (``calibration.sensor_ranges``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig, require_number
from whirlbench.rig.device_slots import slot_values
from whirlbench.rig.limits import TICKS_PER_MINUTE, TRENDS, WITH_RULE, Limit
from whirlbench.safety.batch import Batch, Rule, Trip, VibrationBlock
from whirlbench.safety.device_rules import FrozenRule, OverspeedRule, VibrationRule
from whirlbench.safety.quantities import Judged
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
GLANCE_EDGES, LEAST_EDGES = 512, 32  # of the tach that are looked at together, where there are so many
VIBRATION_SILENCE_S = 0.5  # beside two windows; the device, the quicker ring, waits for 0.1 s


class LevelRule:
    """Trips when a slow quantity stays beyond ``limit`` for ``confirm_s``; zero trips on the first sample.

    ``quantity`` gives the values of a batch, or None when its channels are absent. The size of a quantity is watched
    where it may come with either sign: a reversed current clamp, or blades that push backwards, load the stand no less.
    """

    def __init__(
        self,
        name: str,
        limit: float,
        quantity: Judged,
        confirm_s: float = 0.0,
        side: Side = Side.UPPER,
    ) -> None:
        self.name, self.limit, self.confirm_s, self.side = name, limit, confirm_s, side
        self._quantity = quantity
        self._since_s: float | None = None

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        if batch.sample is not None and self._is_within(batch.sample):
            return None
        values = self._quantity.series(batch.slow) if len(batch.time_s) else None
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

    def _is_within(self, sample: Mapping[str, float]) -> bool:
        """The usual answer about one sample, without an array; then the quantity is beyond no longer."""
        value = self._quantity.single(sample)
        if value is None or self._beyond(value):
            return False
        self._since_s = None
        return True

    def _beyond(self, values: Any) -> Any:
        if self.side == Side.LOWER:
            return values < self.limit
        return (abs(values) if self.side == Side.SIZE else values) > self.limit

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
        for first in range(0, len(batch.edges_s), GLANCE_EDGES):
            trip = self._judge(batch.edges_s[first : first + GLANCE_EDGES])
            if trip is not None:
                return trip
        return None

    def _judge(self, edges_s: np.ndarray) -> Trip | None:
        """Many edges at a glance where all of them are plain marks, else one by one, as in a turn of the loop."""
        ticks = np.rint(edges_s * TICKS_PER_S).astype(np.int64)
        turns = self._marks.feed_even(ticks) if len(ticks) >= LEAST_EDGES else None
        if turns is not None and self._rule.all_permitted(turns):
            return None
        for place, edge in enumerate(ticks.tolist()):
            if turns is None and not self._marks.feed(edge):
                continue
            turn = self._marks.turn_ticks if turns is None else int(turns[place])
            if self._rule.feed(turn):
                return Trip(self.name, float(edges_s[place]), self._per_minute / turn, self.limit)
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
            last = self._rule.feed(block.first_index, block.counts(self._g_per_count))
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
        before_s = self._edge_s
        if len(batch.edges_s):
            self._edge_s = float(batch.edges_s[-1])
        throttle_us = batch.slow.get("throttle_us")
        if throttle_us is None or not len(batch.time_s):
            return None
        driven = throttle_us >= self._driven_us
        silence_s = float(batch.time_s[-1]) - before_s
        if self._was_driven and silence_s <= min(self.limit_s, self._start_s) and driven.all():
            return None  # the usual batch: the drive goes on, and no silence in it can be too long
        edges_s = np.concatenate(([before_s], batch.edges_s))
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
        self._window = rig.limits.vibration_window_samples
        self.silence_s = VIBRATION_SILENCE_S + 2 * self._window / rig.vibration.rate_hz
        self._g_per_count = rig.vibration.g_per_count
        self._rule = FrozenRule(rig.limits.frozen_samples)
        self._judged_s = math.nan
        self._next_index = -1  # running number of the sample that is due
        self._whole_from = 0  # number of the first window that is not judged yet and may come whole

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""
        for block in batch.vibration:
            place = self._rule.feed(block.counts(self._g_per_count))
            if place is not None:
                return Trip(self.name, float(block.time_s[place]), self._rule.counts * self._g_per_count, self.limit)
            self._follow_windows(block)
        return self._silence(batch.time_s)

    def _follow_windows(self, block: VibrationBlock) -> None:
        """Whether this block completes a window of the device's, all of whose samples came: only those are judged."""
        window, end = self._window, block.first_index + len(block.time_s)
        if block.first_index != self._next_index:
            self._whole_from = -(-block.first_index // window)
        self._next_index = end
        if end // window > self._whole_from:
            self._whole_from = end // window
            self._judged_s = float(block.time_s[-1])

    def _silence(self, time_s: np.ndarray) -> Trip | None:
        """Counted from the first slow sample on, until a window was judged."""
        if not len(time_s):
            return None
        if math.isnan(self._judged_s):
            self._judged_s = float(time_s[0])
        if float(time_s[-1]) - self._judged_s <= self.silence_s:
            return None
        silent = time_s - self._judged_s > self.silence_s
        at_s = float(time_s[np.argmax(silent)])
        return Trip("vibration_silence_s", at_s, at_s - self._judged_s, self.silence_s)

    def reset(self) -> None:
        """Forgets the samples."""
        self._rule.reset()
        self._judged_s = math.nan
        self._next_index, self._whole_from = -1, 0


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
    return LevelRule(limit.key, float(limit.value(rig.limits) or 0.0), Judged(limit, rig))


def _level(limit: Limit, rig: Rig, _: bool) -> Rule:
    number, confirm_s = float(limit.value(rig.limits) or 0.0), rig.limits.confirm_ms / 1e3
    return LevelRule(limit.key, number, Judged(limit, rig), confirm_s, limit.watch.side)


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
