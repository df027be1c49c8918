"""A healthy rotor and its sensors in wire counts, each of which can be broken at a given moment.

Simple on purpose: a first-order answer to the throttle and a coast-down, so that a test knows what to expect. The
numbers are those of the shipped example rig, rounded. Readings carry noise, as every real sensor's do: one that does
not is broken, and the device says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from mcu_rotor import AT_REST

from whirlbench.simulator.stand import PlantState

START_US = 1060.0  # below it the motor stands
RPM_PER_US = 10.0
SPIN_UP_S = 0.12
COAST_S = 0.35
REST_RPM = 200.0
CURRENT_ZERO, VOLTAGE_COUNTS, SUPPLY_MV = 512, 800, 5000
LOAD_ZERO = 84_000
SERVO_COUNTS = ((1000.0, 180.0), (2000.0, 840.0))
NOISE_COUNTS = 12.0  # of the accelerometer, RMS on one axis while turning
QUIET_COUNTS = 3.0  # at rest: the part's own noise

Readings = Callable[[np.ndarray], np.ndarray]


@dataclass
class Broken:
    """What is broken now; every field alone is a single fault."""

    ignores_cut: bool = False  # the speed controller drives on at its present speed
    tach_off: bool = False
    edges_taken: int = 1  # one of so many edges reaches the device
    speed_factor: float = 1.0  # of what the throttle asks: a controller that runs away
    frozen: tuple[int, int, int] | None = None  # counts of all axes
    railed_axis: int | None = None  # this axis at full scale
    accelerometer_noise: float = 1.0
    current: int | None = None
    current_added: int = 0
    voltage: int | None = None
    load: int | None = None
    servo_stuck: bool = False


@dataclass
class FaultRotor:
    """``broken`` may be changed between two slices; ``rng`` gives all noise."""

    rng: np.random.Generator
    broken: Broken = field(default_factory=Broken)
    state: PlantState = AT_REST
    edges_s: list[float] = field(default_factory=list)
    most_rpm: float = 0.0

    def __post_init__(self) -> None:
        self._turns = 0.0
        self._edge = 0
        self._fresh: list[float] = []
        self._servo_counts = SERVO_COUNTS[0][1]
        self._feel(1000.0, 0.0)

    def advance(self, to_s: float, throttle_us: float, servo_us: float) -> None:
        """One slice: speed, edges and readings at its end."""
        step_s = to_s - self.state.time_s
        rpm = self._speed_after(step_s, throttle_us)
        self._turn((self.state.rpm + rpm) / 2, self.state.time_s, step_s)
        self.state = replace(self.state, time_s=to_s, rpm=rpm)
        self.most_rpm = max(self.most_rpm, rpm)
        self._feel(throttle_us, servo_us)

    def take_edges(self) -> list[float]:
        """Edges since the last call that reach the device."""
        fresh, self._fresh = self._fresh, []
        self.edges_s += fresh
        return fresh

    def acceleration_g(self, times_s: np.ndarray) -> np.ndarray:
        """Counts ``(n, 3)``: gravity on one axis, and noise that grows with speed."""
        spread = NOISE_COUNTS if self.state.rpm else QUIET_COUNTS
        counts = self.rng.normal(0.0, spread * self.broken.accelerometer_noise, (len(times_s), 3))
        counts[:, 2] += 256.0
        if self.broken.frozen is not None:
            counts[:] = self.broken.frozen
        if self.broken.railed_axis is not None:
            counts[:, self.broken.railed_axis] = 4095.0
        return counts

    def _speed_after(self, step_s: float, throttle_us: float) -> float:
        rpm = self.state.rpm
        if self.broken.ignores_cut:
            return rpm
        aim = max(throttle_us - START_US, 0.0) * RPM_PER_US * self.broken.speed_factor
        time_s = SPIN_UP_S if aim > rpm else COAST_S
        rpm = aim + (rpm - aim) * math.exp(-step_s / time_s)
        return 0.0 if aim == 0.0 and rpm < REST_RPM else rpm

    def _turn(self, rpm: float, start_s: float, step_s: float) -> None:
        turns_per_s = rpm / 60.0
        end = self._turns + step_s * turns_per_s
        for turn in range(math.floor(self._turns) + 1, math.floor(end) + 1):
            self._edge += 1
            if not self.broken.tach_off and self._edge % self.broken.edges_taken == 0:
                self._fresh.append(start_s + (turn - self._turns) / turns_per_s)
        self._turns = end

    def _feel(self, throttle_us: float, servo_us: float) -> None:
        broken, rpm = self.broken, self.state.rpm
        drawn = 40.0 * (rpm / 5000.0) ** 2 if throttle_us > START_US or broken.ignores_cut else 0.0
        if not broken.servo_stuck and servo_us:
            aim = float(np.interp(servo_us, *zip(*SERVO_COUNTS, strict=True)))
            self._servo_counts += float(np.clip(aim - self._servo_counts, -4.0, 4.0))  # some 1.3 us a millisecond
        self.state = replace(
            self.state,
            current_a=self._reading(broken.current, CURRENT_ZERO + 3.0 * drawn + broken.current_added),
            voltage_v=self._reading(broken.voltage, VOLTAGE_COUNTS - 0.3 * drawn),
            pitch_deg=self._servo_counts,
            thrust_n=self._reading(broken.load, LOAD_ZERO + 4000.0 * drawn, 60.0),
        )

    def _reading(self, instead: int | None, value: float, spread: float = 1.0) -> float:
        return float(instead) if instead is not None else float(np.rint(value + self.rng.normal(0.0, spread)))
