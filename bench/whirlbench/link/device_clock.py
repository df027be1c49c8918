"""The device's microsecond counter, made endless: the only place where its 32 bits are unwrapped."""

from __future__ import annotations

import numpy as np

from whirlbench.link.messages import Tach

WRAP_US = 1 << 32  # 71.6 minutes
HALF_WRAP_US = WRAP_US // 2
US_PER_S = 1e6


def signed_difference_us(later_us: int, earlier_us: int) -> int:
    """``later_us - earlier_us`` of two u32 counter readings less than 35.8 minutes apart, in us; may be negative."""
    return ((later_us - earlier_us + HALF_WRAP_US) & (WRAP_US - 1)) - HALF_WRAP_US


class DeviceClock:
    """Unwraps the times of one device, which may arrive somewhat out of order (by less than 35.8 minutes).

    >>> clock = DeviceClock()
    >>> clock.unwrap(4294967290), clock.unwrap(4), clock.unwrap(4294967295)
    (4294967290, 4294967300, 4294967295)
    """

    def __init__(self) -> None:
        self._latest_us: int | None = None
        self._offset_us = 0  # added to the raw counter since the device restarted
        self._resume_at_us: int | None = None

    @property
    def latest_us(self) -> int | None:
        """The latest unwrapped time, None before the first."""
        return self._latest_us

    @property
    def mark(self) -> tuple[int, int] | None:
        """(latest unwrapped time, what is added to the raw counter), for ``resume``; None before the first time."""
        return None if self._latest_us is None else (self._latest_us, self._offset_us)

    def resume(self, mark: tuple[int, int]) -> None:
        """Goes on where another clock of the same device left its ``mark``."""
        self._latest_us, self._offset_us = mark

    def runs_behind(self, time_us: int) -> bool:
        """Whether a u32 counter reading lies before the latest one: the device began to count anew."""
        return self._latest_us is not None and signed_difference_us(time_us + self._offset_us, self._latest_us) < 0

    def unwrap(self, time_us: int) -> int:
        """Endless time in us of a u32 counter reading; the first reading stands for itself."""
        if self._resume_at_us is not None:
            self._latest_us = self._resume_at_us
            self._offset_us = self._resume_at_us - time_us
            self._resume_at_us = None
        if self._latest_us is None:
            self._latest_us = time_us
        unwrapped = self._latest_us + signed_difference_us(time_us + self._offset_us, self._latest_us)
        self._latest_us = max(self._latest_us, unwrapped)
        return unwrapped

    def restart(self, pause_us: int = 1) -> None:
        """The device restarted and counts from zero: its next time unwraps to ``pause_us`` after the latest one.

        ``pause_us`` is what the host's own clock says has passed; the true pause cannot be known from the device.
        Before the first time it changes nothing.
        """
        if self._latest_us is not None:
            self._resume_at_us = self._latest_us + max(pause_us, 1)

    def seconds(self, time_us: int) -> float:
        """Endless time in s of a u32 counter reading."""
        return self.unwrap(time_us) / US_PER_S

    def edges_s(self, message: Tach) -> np.ndarray:
        """Times in s of the edges in a Tach message, ``(n,)``, with their half microseconds; empty for none."""
        edges_us = np.array([self.unwrap(edge_us) for edge_us in message.edges_us], dtype=float)
        halves = message.half_us >> np.arange(len(edges_us)) & 1
        edges_s: np.ndarray = (edges_us + 0.5 * halves) / US_PER_S
        return edges_s
