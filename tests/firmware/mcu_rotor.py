"""A rotor that turns, shakes and weighs exactly what a test says, and sensors that add nothing to it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from whirlbench.simulator.stand import PlantState

AT_REST = PlantState(
    time_s=0.0, rpm=0.0, shaft_angle_rad=0.0, pitch_deg=0.0, servo_position_us=0.0, current_a=512.0,
    motor_current_a=0.0, voltage_v=800.0, duty=0.0, thrust_n=0.0, torque_n_m=0.0, charge=1.0, supply_down=False,
)  # fmt: skip

Shake = Callable[[np.ndarray], np.ndarray]


def still(times_s: np.ndarray) -> np.ndarray:
    """No shaking but for the lowest bit, which never rests in a part that lives."""
    bit = (np.rint(times_s * 1e6).astype(np.int64) >> 7) % 2
    return np.repeat(bit, 3).reshape(-1, 3).astype(float)


class ScriptedRotor:
    """Set ``rpm``, or queue single edges with ``edge_at``; ``show`` counts; let ``shake`` be a function of time.

    With ``RawSensors`` all values are counts. ``edges_s`` and ``shaken`` keep what was given away.
    """

    def __init__(self, rpm: float = 0.0) -> None:
        self.state = AT_REST
        self.rpm = rpm
        self.marks_turns: tuple[float, ...] = (0.0,)  # where on a turn an edge comes, ascending, from 0 up to 1
        self.shake: Shake = still
        self.edges_s: list[float] = []
        self.shaken: list[np.ndarray] = []
        self.sample_times_s: list[np.ndarray] = []
        self._turns = 0.0
        self._fresh: list[float] = []
        self._single: list[float] = []

    def show(self, **counts: Any) -> None:
        """Sets values of the state, for example ``current_a=512``."""
        self.state = replace(self.state, **counts)

    def edge_at(self, *times_s: float) -> None:
        """Edges of their own, whatever ``rpm`` is, ascending and later than the present slice."""
        self._single += times_s

    def advance(self, to_s: float, throttle_us: float, servo_us: float) -> None:
        """Turns on at ``rpm``; an edge at every mark."""
        start_s = self.state.time_s
        turns_per_s = self.rpm / 60.0
        end = self._turns + (to_s - start_s) * turns_per_s
        whole = range(math.floor(self._turns), math.floor(end) + 1)
        places = (turn + mark for turn in whole for mark in self.marks_turns)
        fresh = [start_s + (place - self._turns) / turns_per_s for place in places if self._turns < place <= end]
        fresh += [time_s for time_s in self._single if time_s <= to_s]
        self._single = [time_s for time_s in self._single if time_s > to_s]
        self._fresh += sorted(fresh)
        self._turns = end
        self.state = replace(self.state, time_s=to_s, rpm=self.rpm)

    def take_edges(self) -> list[float]:
        """Edges since the last call."""
        fresh, self._fresh = self._fresh, []
        self.edges_s += fresh
        return fresh

    def acceleration_g(self, times_s: np.ndarray) -> np.ndarray:
        """What ``shake`` says, kept in ``shaken``."""
        counts = self.shake(times_s)
        self.shaken.append(counts)
        self.sample_times_s.append(times_s)
        return counts


class RawSensors:
    """Passes counts and times through."""

    def counts(self, name: str, values: np.ndarray) -> np.ndarray:
        """The values, which are counts already."""
        return values

    def vibration_counts(self, acceleration_g: np.ndarray) -> np.ndarray:
        """The same for the accelerometer."""
        return np.rint(acceleration_g).astype(np.int16)

    def tach_times_s(self, edges_s: np.ndarray) -> np.ndarray:
        """Edges without jitter."""
        return edges_s
