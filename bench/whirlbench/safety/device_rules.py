"""The device's trip rules in exact integers: what the microcontroller runs, sample by sample.

The same objects stand in the simulated device and in back-tests; the sketch's C++ twin is compared with them on the
same vectors. Nothing here knows a clock, a port or a unit other than those of the wire.
"""

from __future__ import annotations

import math

import numpy as np


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
        self.window = int(window)
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
