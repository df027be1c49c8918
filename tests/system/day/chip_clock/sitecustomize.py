"""The chip's own time instead of the computer's, for a day at the stand where the chip is simulated more slowly.

Python imports this at the start of every process that has this folder on its path. Host and recorder then live in the
time that ``mcu_stand.py --clock`` tells them, so that no limit of time has to be widened for a chip that lags. What the
calendar says stays as it is.
"""

from __future__ import annotations

import mmap
import os
import struct
import time
from pathlib import Path

CLOCK = os.environ.get("STAND_DAY_CLOCK", "")
STANDS_STILL_S = 60.0  # of the computer's time: then the chip is gone
ENDED_S = 5.0  # of it: then nobody need sleep for the chip's sake
LOOK_S = 0.001
STEP_S, CREEP_S = 0.01, 0.001  # less than a step of the chip's, whatever a step takes


class ChipClock:
    """Seconds of the chip, as it tells them in a file; RuntimeError when it tells no more.

    No plain function: a class that keeps its clock as an attribute must not bind it.
    """

    def __init__(self, path: Path) -> None:
        with path.open("rb") as file:
            self._told = mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)
        self._computer_s, self._sleep = time.monotonic, time.sleep
        self._latest_s, self._since_s = 0.0, self._computer_s()

    def __call__(self) -> float:
        """The chip's time, which is told in steps; between them it creeps, for what waits for any time at all."""
        (told_s,) = struct.unpack("d", self._told[:8])
        if told_s > self._latest_s:
            self._latest_s, self._since_s = told_s, self._computer_s()
        stood_s = self._computer_s() - self._since_s
        if stood_s > STANDS_STILL_S:
            raise RuntimeError(f"the chip's clock has stood at {self._latest_s:.3f} s for {STANDS_STILL_S:g} s")
        return float(self._latest_s + CREEP_S * stood_s / (STEP_S + stood_s))

    def ns(self) -> int:
        """The same in whole nanoseconds."""
        return round(self() * 1e9)

    def sleep(self, seconds: float) -> None:
        """Until so much of the chip's time has gone by, or none does any more."""
        until_s = self() + seconds
        self._sleep(0.0)
        while self() < until_s and self._computer_s() - self._since_s < ENDED_S:
            self._sleep(LOOK_S)


if CLOCK:
    clock = ChipClock(Path(CLOCK))
    time.monotonic, time.monotonic_ns, time.sleep = clock, clock.ns, clock.sleep
