"""The device's trip rules in exact integers: what the microcontroller runs, sample by sample.

The same objects stand in the simulated device and in back-tests; the sketch's C++ twin is compared with them on the
same vectors. Nothing here knows a clock, a port or a unit other than those of the wire.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np

TICK_MS = 2  # the rules on slow channels are fed so often
ADC_FULL = 1023  # 10 bits
LOAD_RAIL = 0x7FFFFF  # 24 bits
STEADY = 8  # tach periods that fitted before one that does not is doubted
APART = 2  # periods that fitted since an edge too many, before another one is taken for that
LONGEST_MS = 0xFFFF


class OverspeedRule:
    """Trips when ``confirm`` consecutive tach periods are shorter than ``limit_ticks`` (ticks of 0.5 us).

    ``limit_ticks`` zero switches the rule off; ``confirm`` below one counts as one. A period of exactly the limit
    is permitted. A permitted period starts the count again.
    """

    def __init__(self, limit_ticks: int, confirm: int = 1) -> None:
        self.limit_ticks = int(limit_ticks)
        self.confirm = max(1, int(confirm))
        self.short_periods = 0

    def feed(self, period_ticks: int) -> bool:
        """Whether this period, integer and above zero, trips; zero means "at rest" and starts the count again."""
        if 0 < period_ticks < self.limit_ticks:
            self.short_periods += 1
            return self.short_periods >= self.confirm
        self.short_periods = 0
        return False

    def all_permitted(self, periods_ticks: np.ndarray) -> bool:
        """Whether all of ``(n,)`` periods, one or more, are permitted, and then takes them."""
        if (periods_ticks < self.limit_ticks).any():
            return False
        self.short_periods = 0
        return True

    def reset(self) -> None:
        """Forgets the count."""
        self.short_periods = 0


class VibrationRule:
    """Trips when a window's vibration, all axes together with the mean removed, exceeds ``limit_counts`` RMS.

    Windows are aligned and do not overlap: window k holds the running sample numbers ``[k W, (k + 1) W)``. With the
    sums taken over a window, it trips when the sum over the axes of ``W * sum(x^2) - (sum x)^2`` is greater than
    ``limit_counts^2 * W^2``: integers throughout, so that every twin decides alike. ``limit_counts`` zero switches
    the rule off. A window with a sample missing is not judged, and ``windows_skipped`` counts it; whoever needs the
    rule to watch looks whether ``windows_judged`` grows.
    """

    def __init__(self, limit_counts: int, window: int) -> None:
        if window < 1:
            raise ValueError(f"window is {window} samples, at least 1 is needed")
        self.window, self.limit_counts = int(window), int(limit_counts)
        self.limit = (int(limit_counts) * self.window) ** 2
        self.windows_skipped = self.windows_judged = 0
        self.last_value = 0  # sum over axes of W sum(x^2) - (sum x)^2 of the latest whole window
        self._next_index: int | None = None
        self._skipped: int | None = None  # number of the latest window that was not judged
        self._kept: np.ndarray | None = None  # samples of the window that is filling, int64 (n, axes)

    def feed(self, first_index: int, counts: np.ndarray) -> int | None:
        """Running number of the sample that completed the first tripping window, or None.

        ``first_index`` is the running number of ``counts[0]``; ``counts`` is ``(n, axes)``, integers; any chunk
        length gives the same decisions. After a trip the rest of the chunk is not judged.
        """
        samples = np.asarray(counts, dtype=np.int64).reshape(len(counts), -1)
        if self._next_index != first_index:
            self._drop_partial()
        self._next_index = first_index + len(samples)
        if self._kept is None:
            first_index, samples = self._drop_lead(first_index, samples)
        else:
            first_index, samples = first_index - len(self._kept), np.concatenate((self._kept, samples))
        whole = len(samples) // self.window
        rest = samples[whole * self.window :]
        self._kept = rest.copy() if len(rest) else None
        return self._judge(first_index, samples[: whole * self.window], whole) if whole else None

    def _drop_partial(self) -> None:
        """Gives up the window that was filling when a gap came."""
        if self._kept is not None and self._next_index is not None:
            self._skip((self._next_index - 1) // self.window)
        self._kept = None

    def _drop_lead(self, first_index: int, samples: np.ndarray) -> tuple[int, np.ndarray]:
        """Leaves out the samples before the next window border: their window began unseen."""
        lead = min(-first_index % self.window, len(samples))
        if lead:
            self._skip(first_index // self.window)
        return first_index + lead, samples[lead:]

    def _skip(self, window_number: int) -> None:
        if window_number != self._skipped:
            self.windows_skipped += 1
            self._skipped = window_number

    def _judge(self, first_index: int, samples: np.ndarray, whole: int) -> int | None:
        self.windows_judged += whole
        blocks = samples.reshape(whole, self.window, -1)
        values = (self.window * (blocks**2).sum(axis=1) - blocks.sum(axis=1) ** 2).sum(axis=1)
        over = np.flatnonzero(values > self.limit) if self.limit else np.empty(0, dtype=np.int64)
        self.last_value = int(values[over[0]] if len(over) else values[-1])
        return first_index + (int(over[0]) + 1) * self.window - 1 if len(over) else None

    def rms_counts(self) -> float:
        """RMS of the latest whole window in counts; after a trip, of the window that tripped."""
        return math.sqrt(self.last_value) / self.window

    def reset(self) -> None:
        """Forgets the window that is filling; the next sample may have any number."""
        self._next_index, self._kept, self._skipped, self.last_value = None, None, None, 0


class HeartbeatRule:
    """Trips when the host was silent for more than ``limit_ms``; zero switches the rule off.

    Times are integer microseconds of one clock that does not wrap. Silence of exactly the limit is permitted.
    """

    def __init__(self, limit_ms: int) -> None:
        self.limit_us = int(limit_ms) * 1000
        self.heard_us: int | None = None

    def heard(self, now_us: int) -> None:
        """Notes a heartbeat."""
        self.heard_us = now_us

    def silence_us(self, now_us: int) -> int | None:
        """Microseconds since the latest heartbeat; None before the first."""
        return None if self.heard_us is None else now_us - self.heard_us

    def fresh(self, now_us: int) -> bool:
        """Whether a heartbeat came within the limit: the condition for arming."""
        silence_us = self.silence_us(now_us)
        return silence_us is not None and silence_us <= self.limit_us

    def silent(self, now_us: int) -> bool:
        """Whether the rule trips now; a host never heard is silent, too."""
        return self.limit_us > 0 and not self.fresh(now_us)


class FrozenRule:
    """Trips when one axis gave ``limit`` equal samples: frozen, or at its rail; zero switches the rule off.

    Noise moves the lowest bits of a part that lives, so no axis stays equal for long.
    """

    def __init__(self, limit: int = 0) -> None:
        self.limit = int(limit)
        self.counts = 0  # of the axis that tripped
        self._last: np.ndarray | None = None
        self._equal: np.ndarray | None = None  # samples so far, by axis

    def feed(self, counts: np.ndarray) -> int | None:
        """Place in ``counts`` ``(n, axes)`` of the first sample that trips, or None; chunks change nothing."""
        if not len(counts):
            return None
        samples = np.asarray(counts, dtype=np.int64).reshape(len(counts), -1)
        if self._lives(samples):
            self._last, self._equal = samples[-1], np.ones(samples.shape[1], dtype=np.int64)
            return None
        before = samples[0] + 1 if self._last is None else self._last
        carried = np.zeros(samples.shape[1], dtype=np.int64) if self._equal is None else self._equal
        same = np.vstack((samples[:1] == before, samples[1:] == samples[:-1]))
        place = np.arange(1, len(samples) + 1)[:, None]
        broken = np.maximum.accumulate(np.where(same, 0, place), axis=0)  # latest sample that differed, from 1
        equal = np.where(broken == 0, carried + place, place - broken + 1)
        self._last, self._equal = samples[-1], equal[-1]
        frozen = equal >= self.limit if self.limit else np.zeros_like(same)
        if not frozen.any():
            return None
        first = int(np.argmax(frozen.any(axis=1)))
        self.counts = int(samples[first, int(np.argmax(frozen[first]))])
        return first

    def _lives(self, samples: np.ndarray) -> bool:
        """The usual chunk, at a glance: too short to trip with what came before, and every axis moved at its end."""
        carried = 0 if self._equal is None else int(self._equal.max())
        short = self.limit == 0 or carried + len(samples) < self.limit
        return short and len(samples) > 1 and bool((samples[-1] != samples[-2]).all())

    def reset(self) -> None:
        """Forgets the samples."""
        self._last = self._equal = None


class TachRule:
    """Whether tach periods are those of a rotor, which cannot change its speed by half from one to the next.

    A period that does is doubted; ``limit`` of them in a row trip, zero switches that off. Not before ``STEADY``
    periods that fitted: a rotor that starts doubles its speed within a turn.

    A single edge too many cuts one period into two, which together are that period within an eighth: they count as it.
    Not again before ``APART`` further periods fitted: a rotor that doubles its speed has such pairs all the time.
    """

    def __init__(self, limit: int = 0) -> None:
        self.limit = int(limit)
        self._begin()

    def _begin(self) -> None:
        self._steady = self._odd = self._trusted_ticks = 0
        self._apart = self._short_ticks = self._cut_ticks = 0

    @property
    def doubted(self) -> bool:
        """Whether the latest period did not fit, or may be the first part of one that an edge too many cut."""
        return self._odd > 0 or self._cut_ticks > 0

    def feed(self, period_ticks: int) -> bool:
        """Whether this period trips; zero means "after rest" and begins anew."""
        if period_ticks == 0:
            self._begin()
            return False
        if self._completes(period_ticks):
            self._trusted_ticks, self._odd, self._apart, self._cut_ticks = self._cut_ticks, 0, 0, 0
            return False
        is_cut = self._odd == 0 and self._apart >= APART and period_ticks < self._trusted_ticks * 3 // 4
        self._short_ticks, self._cut_ticks = period_ticks, self._trusted_ticks if is_cut else 0
        if self._trusted_ticks and not self._fits(period_ticks):
            is_steady = self._steady >= STEADY
            self._odd += is_steady
            if is_steady and self._odd < (self.limit or STEADY):
                return False
            self._steady, self._odd, self._trusted_ticks = 0, 0, period_ticks  # from here on this is the speed
            return is_steady and self.limit > 0
        self._steady, self._odd, self._trusted_ticks = min(self._steady + 1, STEADY), 0, period_ticks
        self._apart = min(self._apart + 1, APART)
        return False

    def _completes(self, period_ticks: int) -> bool:
        """Whether this and the period before are the parts of one; a whole turn may be whole again by itself."""
        slack = self._cut_ticks >> 3
        return any(abs(ticks - self._cut_ticks) < slack for ticks in (period_ticks, self._short_ticks + period_ticks))

    def _fits(self, period_ticks: int) -> bool:
        half = self._trusted_ticks // 2
        return half < period_ticks and (
            period_ticks <= self._trusted_ticks or period_ticks - self._trusted_ticks < half
        )


class SlowLimits(NamedTuple):
    """What the rules on slow channels compare with, in wire units as in the device's slots of these names."""

    current_counts: int = 0
    current_least_counts: int = 0
    slow_confirm_ms: int = 20
    driven_us: int = 1100
    voltage_counts: int = 0
    supply_mv: int = 0
    load_silence_ms: int = 0
    stuck_servo_counts: int = 0
    stuck_servo_ms: int = 1000
    servo_min_us: int = 1500
    servo_max_us: int = 1500
    servo_low_counts: int = 0
    servo_high_counts: int = 0


@dataclass
class SlowCounts:
    """Latest counts of the slow channels, as the wire carries them."""

    current_counts: int = 0
    voltage_counts: int = 0
    servo_counts: int = 0xFFFF
    load_counts: int = 0
    supply_mv: int = 0  # 0: not measured
    load_age_ms: int = 255  # that long, longer, or never


class SlowTrip(IntEnum):
    """What a slow channel showed, in the order in which the rules are asked."""

    CURRENT_SENSOR = 0
    OVER_CURRENT = 1
    PACK_LOW = 2
    SUPPLY_LOW = 3
    LOAD_CELL = 4
    STUCK_SERVO = 5


class SlowRules:
    """What the slow channels must not show, each for a while: fed every 2 ms."""

    def __init__(self, limits: SlowLimits | None = None) -> None:
        self.limits = SlowLimits() if limits is None else limits
        self.detail = 0
        self._ticks = [0] * len(SlowTrip)  # broken for so many in a row

    def feed(self, counts: SlowCounts, throttle_us: int, servo_us: int) -> SlowTrip | None:
        """The first that trips, or None; ``detail`` is the value that broke it."""
        limits = self.limits
        current, load = counts.current_counts, counts.load_counts
        most, least = limits.current_counts, limits.current_least_counts
        broken = {
            SlowTrip.CURRENT_SENSOR: bool(most or least) and (current >= ADC_FULL or (least > 0 and current == 0)),
            SlowTrip.OVER_CURRENT: (most > 0 and current > most) or current < least,
            SlowTrip.PACK_LOW: throttle_us >= limits.driven_us and counts.voltage_counts < limits.voltage_counts,
            SlowTrip.SUPPLY_LOW: counts.supply_mv < limits.supply_mv,
            SlowTrip.LOAD_CELL: limits.load_silence_ms > 0 and not -LOAD_RAIL <= load < LOAD_RAIL,
            SlowTrip.STUCK_SERVO: self._is_stuck(counts.servo_counts, servo_us),
        }
        values = (current, current, counts.voltage_counts, counts.supply_mv, load, counts.servo_counts)
        held = [self._hold(rule, is_broken) for rule, is_broken in broken.items()]
        for rule in SlowTrip:
            if held[rule]:
                self.detail = values[rule]
                # The mean in which the current jumped to its rail lies between: it begins the over-current, due first.
                is_railed = rule is SlowTrip.OVER_CURRENT and broken[SlowTrip.CURRENT_SENSOR]
                return SlowTrip.CURRENT_SENSOR if is_railed else rule
        if 0 < limits.load_silence_ms < counts.load_age_ms:
            self.detail = counts.load_age_ms
            return SlowTrip.LOAD_CELL
        return None

    def _hold(self, rule: SlowTrip, broken: bool) -> bool:
        confirm_ms = self.limits.stuck_servo_ms if rule is SlowTrip.STUCK_SERVO else self.limits.slow_confirm_ms
        if not broken:
            self._ticks[rule] = 0
        elif self._ticks[rule] * TICK_MS < confirm_ms:
            self._ticks[rule] += 1
        else:
            return True
        return False

    def _is_stuck(self, servo_counts: int, servo_us: int) -> bool:
        most = self.limits.stuck_servo_counts
        return most > 0 and servo_us > 0 and abs(servo_counts - self.expected_counts(servo_us)) > most

    def expected_counts(self, servo_us: int) -> int:
        """Where the feedback has to be: straight between its counts at both ends of the servo's range."""
        limits = self.limits
        range_us = limits.servo_max_us - limits.servo_min_us
        if range_us <= 0:
            return limits.servo_low_counts
        way = (limits.servo_high_counts - limits.servo_low_counts) * (servo_us - limits.servo_min_us)
        return limits.servo_low_counts + (way // range_us if way >= 0 else -(-way // range_us))


class LostTachRule:
    """Trips when the motor is driven and no edge came for ``lost_ms``; the first after rest may take ``start_ms``.

    Driven means a throttle pulse of ``driven_us`` or more. Fed every 2 ms; ``lost_ms`` zero switches the rule off.
    """

    AT_REST = 0xFFFF  # silence of a rotor that shows no edge

    def __init__(self, lost_ms: int = 0, start_ms: int = 2000, driven_us: int = 1100) -> None:
        self.lost_ms, self.start_ms, self.driven_us = lost_ms, start_ms, driven_us
        self.quiet_ms = 0  # without an edge while driven
        self._driven_ms = 0

    def feed(self, throttle_us: int, silence_ms: int) -> bool:
        """Whether it trips; ``silence_ms`` since the latest edge, ``AT_REST`` when there is none."""
        if throttle_us < self.driven_us:
            self._driven_ms = 0
            return False
        self.quiet_ms = min(silence_ms, self._driven_ms)
        was_seen = silence_ms != self.AT_REST and silence_ms < self._driven_ms + self.lost_ms
        self._driven_ms = _later_ms(self._driven_ms)
        return self.lost_ms > 0 and self.quiet_ms > (self.lost_ms if was_seen else self.start_ms)


class CutLimits(NamedTuple):
    """What the proof of a cut compares with, in wire units as in the device's slots of these names."""

    cut_proof_ms: int = 3000
    cut_current_counts: int = 0
    current_zero_counts: int = 0


class CutProof:
    """After a cut the rotor must slow by an eighth, and by another, within ``cut_proof_ms`` each, until it is at rest.

    And the current must come near zero within that time. Else the cut failed.
    """

    def __init__(self) -> None:
        self.active = self.failed = False
        self.detail = 0
        self._waited_ms = self._flowing_ms = self._reference_ticks = 0

    def begin(self) -> None:
        """The power was cut now."""
        self.active, self.failed = True, False
        self._waited_ms = self._flowing_ms = self._reference_ticks = 0

    def end(self) -> None:
        """Nothing is to be proved any more."""
        self.active = self.failed = False

    def feed(self, limits: CutLimits, period_ticks: int, current_counts: int) -> bool:
        """Every 2 ms: true once, when the cut failed.

        ``period_ticks``: the latest, or the silence since, whichever is longer; 0 at rest.
        """
        if not self.active or self.failed:
            return False
        most = limits.cut_current_counts
        flows = most > 0 and abs(current_counts - limits.current_zero_counts) > most
        self._flowing_ms = _later_ms(self._flowing_ms) if flows else 0
        self._waited_ms = _later_ms(self._waited_ms)
        reference = self._reference_ticks
        if period_ticks == 0 or reference == 0 or period_ticks - reference >= reference // 7:
            self._reference_ticks, self._waited_ms = period_ticks, 0
        if self._waited_ms >= limits.cut_proof_ms:
            return self._fail(period_ticks)
        return self._flowing_ms >= limits.cut_proof_ms and self._fail(-1 - current_counts)

    def _fail(self, detail: int) -> bool:
        self.failed, self.detail = True, detail
        return True


def _later_ms(ms: int) -> int:
    return ms if ms >= LONGEST_MS - TICK_MS else ms + TICK_MS
