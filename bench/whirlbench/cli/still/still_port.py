"""A still stand on a PORT: a serial port in real time, or a simulated stand on virtual time with hands at it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from whirlbench.cli.port_choice import SIMULATED, port_opener

if TYPE_CHECKING:
    from whirlbench.rig.description import Rig
    from whirlbench.session.engine import Record
    from whirlbench.session.still import StillLoop
    from whirlbench.simulator.device.simulated_port import SimulatedPort


class VirtualTime:
    """A clock that moves only while somebody sleeps."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now(self) -> float:
        """Seconds since the beginning."""
        return self._now_s

    def sleep(self, seconds: float) -> None:
        """Lets ``seconds`` pass at once."""
        self._now_s += seconds


@dataclass(frozen=True)
class StillPort:
    """The loop on a port; ``simulated`` is the port of a simulated stand, None on a real one."""

    loop: StillLoop
    simulated: SimulatedPort | None

    @classmethod
    def opened(
        cls,
        name: str,
        rig: Rig,
        rig_text: str,
        seed: int,
        keep: Callable[[Sequence[Record]], None] = lambda records: None,
    ) -> StillPort:
        """Opens port ``name`` for ``rig``; everything left to chance at a simulated stand comes from ``seed``."""
        from whirlbench.session.still import StillLoop, StillStand

        stand = StillStand(rig)
        if name != SIMULATED:
            return cls(StillLoop(stand, port_opener(name, rig_text, seed)(), time.monotonic, time.sleep, keep), None)
        from whirlbench.simulator.device.simulated_port import SimulatedPort

        clock = VirtualTime()
        port = SimulatedPort(rig_text, seed, clock=clock.now)
        return cls(StillLoop(stand, port, clock.now, clock.sleep, keep), port)
