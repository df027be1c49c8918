"""A port with a simulated stand behind it: ``read``, ``write`` and ``close``, like any other port, in real time."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from whirlbench.errors import LinkError
from whirlbench.rig.toml import parse_rig
from whirlbench.simulator.device.device import SimulatedDevice
from whirlbench.simulator.device.hands import Hands
from whirlbench.simulator.stand import Fault, Plant, PlantSettings

CLOSED = "the simulated port is closed: open it again"


class SimulatedPort:
    """A simulated stand that lives from the moment the port is opened.

    ``rig_text``: TOML of a rig, also the truth of the stand. ``seed``: of everything that is left to chance.
    ``clock``: seconds that only grow; the stand is as old as the clock since opening.
    """

    ends_with_session = True  # opened again it is another stand

    def __init__(
        self, rig_text: str, seed: int, faults: Sequence[Fault] = (), clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.device: SimulatedDevice | None = simulated_device(rig_text, seed, faults)
        self._clock = clock
        self._opened_s = clock()
        self._waiting: list[bytes] = []

    @property
    def hands(self) -> Hands:
        """Somebody at the stand; a closed port raises LinkError."""
        if self.device is None:
            raise LinkError(CLOSED)
        return self.device.hands

    def read(self) -> bytes:
        """Everything the device sent since the last read, possibly nothing; a closed port raises LinkError."""
        self._exchange(b"")
        data = b"".join(self._waiting)
        self._waiting.clear()
        return data

    def write(self, data: bytes) -> None:
        """Hands ``data`` to the device now; a closed port raises LinkError."""
        self._exchange(data)

    def close(self) -> None:
        """The stand is gone; closing twice is harmless."""
        self.device = None

    def _exchange(self, data: bytes) -> None:
        if self.device is None:
            raise LinkError(CLOSED)
        self._waiting.append(self.device.exchange(self._clock() - self._opened_s, data))


def simulated_device(rig_text: str, seed: int, faults: Sequence[Fault] = (), clock_us: int = 0) -> SimulatedDevice:
    """A device on a fresh stand made from the TOML of a rig, for lock-step use; its clock shows ``clock_us``."""
    rig = parse_rig(rig_text)
    plant_rng, sensor_rng = np.random.default_rng(seed).spawn(2)
    return SimulatedDevice(rig, Plant(PlantSettings.from_rig(rig), plant_rng, faults), sensor_rng, clock_us=clock_us)


def open_simulated(rig_text: str, seed: int, faults: Sequence[Fault] = ()) -> SimulatedPort:
    """Opens a simulated port on the monotonic clock; a plain function, so that another process can call it."""
    return SimulatedPort(rig_text, seed, faults)
