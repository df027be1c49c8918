"""A simulated stand that is struck when a test says so, by a file; a module, so that a session's process finds it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from whirlbench.simulator.device.simulated_port import SimulatedPort
from whirlbench.simulator.stand import Fault
from whirlbench.simulator.stand.faults import Effects

TACH, SILENT = "tach", "silent"


@dataclass(frozen=True)
class TachGone(Fault):
    """No tach pulse reaches the device from the moment that ``word`` exists."""

    word: Path = Path("tach")

    def _act(self, effects: Effects, time_s: object) -> None:
        effects.tach_lost = bool(effects.tach_lost or self.word.exists())


class TroubledPort(SimulatedPort):
    """Goes silent in both directions once the file ``silent`` lies in ``folder``."""

    def __init__(self, rig_text: str, seed: int, folder: Path) -> None:
        super().__init__(rig_text, seed, (TachGone(0.0, word=folder / TACH),))
        self._silent = folder / SILENT

    def read(self) -> bytes:
        """Nothing any more once the line is dead."""
        data = super().read()
        return b"" if self._silent.exists() else data

    def write(self, data: bytes) -> None:
        """Into the void once the line is dead."""
        super().write(b"" if self._silent.exists() else data)


def open_troubled(rig_text: str, seed: int, folder: Path) -> TroubledPort:
    """A port that the files in ``folder`` strike."""
    return TroubledPort(rig_text, seed, folder)
