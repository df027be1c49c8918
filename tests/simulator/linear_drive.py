"""A drive that is linear by construction, with a tach on it: the known truth that identification is checked against.

Unlike ``plant`` it knows no motor and no propeller, only gain, lags and dead time; its answers are textbook formulas.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run, SlowSamples, TachPulses

TICK_S = 0.5e-6
FINE_S = 1e-4  # grid on which the shaft angle is integrated
TELEMETRY_S = 2e-3


@dataclass(frozen=True)
class LinearDrive:
    """Gain in rpm per unit of the lever, dead time and lags in s, or a pair (damping ratio, natural frequency)."""

    gain: float
    dead_time_s: float
    time_constant_s: float = math.nan
    damping_ratio: float = math.nan
    natural_frequency_rad_s: float = math.nan

    def answer(self, since_s: np.ndarray) -> np.ndarray:
        """Speed change in rpm for a unit step of the lever at time zero; textbook step answers."""
        t = np.maximum(since_s - self.dead_time_s, 0.0)
        if math.isfinite(self.time_constant_s):
            return self.gain * (1.0 - np.exp(-t / self.time_constant_s))
        z, w = self.damping_ratio, self.natural_frequency_rad_s
        if z < 1.0:
            wd = w * math.sqrt(1.0 - z * z)
            return self.gain * (1.0 - np.exp(-z * w * t) * (np.cos(wd * t) + z * w / wd * np.sin(wd * t)))
        slow, fast = 1.0 / (w * (z - math.sqrt(z * z - 1.0))), 1.0 / (w * (z + math.sqrt(z * z - 1.0)))
        return self.gain * (1.0 - (slow * np.exp(-t / slow) - fast * np.exp(-t / fast)) / (slow - fast))


@dataclass(frozen=True)
class TachFaults:
    """What is between the shaft and the record; all default to a perfect tach with the device's resolution.

    ``jitter_s`` standard deviation of an edge; ``unsteadiness_rpm_s`` white speed noise as a density, rpm sqrt(s);
    ``drift_rpm_per_s`` a sagging pack; ``missed`` and ``noise`` parts of edges lost and added; ``tick_s`` 0: exact.
    """

    jitter_s: float = 0.0
    unsteadiness_rpm_s: float = 0.0
    drift_rpm_per_s: float = 0.0
    missed: float = 0.0
    tick_s: float = TICK_S
    gaps_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class LeverStep:
    """``lever`` (a slow channel's name) moves by ``change`` at ``at_s``, within ``ramp_s``."""

    lever: str
    at_s: float
    change: float
    ramp_s: float = 0.0


def record_steps(
    drives: dict[str, LinearDrive],
    steps: Sequence[LeverStep],
    duration_s: float,
    rng: np.random.Generator,
    base_rpm: float = 4000.0,
    levels: dict[str, float] | None = None,
    faults: TachFaults = TachFaults(),
    tach: bool = True,
) -> Run:
    """A run of linear ``drives`` (by lever channel) through ``steps``; without ``tach`` only the held rpm channel.

    Telemetry at 500/s, levers starting from ``levels`` (1500 us, 4000 rpm or 10 deg by default). Nothing is raised;
    a speed driven below zero has no edges there.
    """
    time = np.arange(0.0, duration_s, FINE_S)
    speed = base_rpm + faults.drift_rpm_per_s * time
    for step in steps:
        speed = speed + step.change * _ramped(drives[step.lever], time - step.at_s, step.ramp_s)
    edges = _edges(time, speed, rng, faults)
    slow_time = np.arange(0.0, duration_s, TELEMETRY_S)
    channels = {lever: _lever(slow_time, steps, lever, levels or {}) for lever in drives}
    slow = SlowSamples(slow_time, rpm=_held(slow_time, edges), **channels)
    return Run(slow, TachPulses(edges) if tach else TachPulses())


def _ramped(drive: LinearDrive, since: np.ndarray, ramp_s: float) -> np.ndarray:
    if ramp_s <= 0.0:
        return drive.answer(since)
    stairs = max(2, round(ramp_s / TELEMETRY_S))
    return sum((drive.answer(since - ramp_s * k / stairs) for k in range(stairs)), np.zeros_like(since)) / stairs


def _lever(time: np.ndarray, steps: Sequence[LeverStep], lever: str, levels: dict[str, float]) -> np.ndarray:
    usual = {"throttle_us": 1500.0, "servo_us": 1500.0, "speed_request_rpm": 4000.0, "pitch_deg": 10.0}
    value = np.full(len(time), levels.get(lever, usual.get(lever, 0.0)))
    for step in steps:
        if step.lever != lever:
            continue
        stairs = max(2, round(step.ramp_s / TELEMETRY_S)) if step.ramp_s > 0 else 1
        for k in range(stairs):
            value += step.change / stairs * (time >= step.at_s + step.ramp_s * k / stairs - 1e-9)
    return value


def _edges(time: np.ndarray, speed: np.ndarray, rng: np.random.Generator, faults: TachFaults) -> np.ndarray:
    """Tach edges of the shaft that turns at ``speed``, as the device would report them."""
    wander = rng.normal(0.0, faults.unsteadiness_rpm_s / math.sqrt(FINE_S), len(time))
    turning = np.maximum(speed + wander * (faults.unsteadiness_rpm_s > 0), 0.0)
    turns = np.concatenate([[0.0], np.cumsum((turning[1:] + turning[:-1]) / 2.0)]) * FINE_S / 60.0 + rng.uniform()
    edges = np.interp(np.arange(1, math.floor(turns[-1]) + 1), turns, time)
    edges = edges + rng.normal(0.0, 1.0, len(edges)) * faults.jitter_s
    if faults.tick_s:
        edges = np.round(edges / faults.tick_s) * faults.tick_s
    kept = rng.uniform(size=len(edges)) >= faults.missed
    for start, end in faults.gaps_s:
        kept &= (edges < start) | (edges >= end)
    return np.unique(edges[kept])


def _held(time: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Speed of the last complete period at each of ``time``; NaN before the second edge."""
    last = np.searchsorted(edges, time, side="right") - 1
    held = np.full(len(time), np.nan)
    known = last >= 1
    held[known] = 60.0 / (edges[last[known]] - edges[last[known] - 1])
    return held
