"""Drives a still stand on a port: one loop in the program's own process, since nothing can be driven."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from whirlbench.link.framing import frame
from whirlbench.link.messages import Abort, Reason
from whirlbench.session.engine.actions import Record
from whirlbench.session.still.still_stand import Procedure, StillStand

Result = TypeVar("Result")
NAP_S = 0.002


class Port(Protocol):
    """What the loop needs of a port."""

    def read(self) -> bytes:
        """All bytes that are waiting."""

    def write(self, data: bytes) -> None:
        """Sends ``data``."""

    def close(self) -> None:
        """Gives the port back."""


class StillLoop:
    """A context manager: leaving it aborts what is still armed and closes the port.

    ``clock`` and ``sleep`` are the real ones, or those of a stand on virtual time. ``keep`` takes the records.
    """

    def __init__(
        self,
        stand: StillStand,
        port: Port,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        keep: Callable[[Sequence[Record]], None] = lambda records: None,
    ) -> None:
        self.stand, self._port = stand, port
        self._clock, self._sleep, self._keep = clock, sleep, keep

    def turn(self) -> None:
        """Read, decide, answer; then keep."""
        data = self._port.read()
        answer = self.stand.step(self._clock(), data)
        if answer:
            self._port.write(answer)
        self._keep(self.stand.taken_records())

    def run(self, procedure: Procedure[Result]) -> Result:
        """Turns until ``procedure`` has ended, and returns what it found; its errors are raised here."""
        while True:
            self.turn()
            try:
                next(procedure)
            except StopIteration as stop:
                result: Result = stop.value
                return result
            self._sleep(NAP_S)

    def __enter__(self) -> StillLoop:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(Exception):  # the device trips by itself for want of a heartbeat; this is sooner
            if self.stand.watch.live:
                self._port.write(frame(Abort(Reason.OPERATOR_ABORT), 0))
        self._port.close()
