"""Random spins of random stands, healthy or damaged, to prove analyses on: holds, ramps, pitch moves, drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import AddedUnbalance, Fault, LoosePitchLink, PlantSettings, RootCrack

GROWTH_S = 20.0
FIRST_HOLD_S = 20.0
THROTTLE_US = (1330.0, 1650.0)
PITCH_DEG = (4.0, 13.0)
SLOW_RAMP_SHARE, RETURN_SHARE = 0.2, 0.25


@dataclass(frozen=True)
class Spin:
    """A simulated run and what is really the matter with it: ``fault`` None when healthy."""

    run: Run
    schedule: Schedule
    fault: Fault | None


def random_schedule(rng: np.random.Generator, least_s: float = 90.0) -> Schedule:
    """Holds of 12 to 30 s at random throttle and pitch, joined by ramps.

    Ramps take 0.5 to 3 s, one in five is a slow one of 10 s.
    One move in four goes back to a point held before; moves may be of throttle, of pitch or of both. Ends with the
    throttle closed.
    """
    points: list[SetPoint] = []
    held: list[tuple[float, float]] = []
    at_s, hold_s = 1.0, FIRST_HOLD_S
    throttle, pitch = float(rng.uniform(*THROTTLE_US)), float(rng.uniform(*PITCH_DEG))
    while at_s < least_s:
        ramp_s = 10.0 if rng.random() < SLOW_RAMP_SHARE and points else float(rng.uniform(0.5, 3.0))
        points.append(SetPoint(at_s, throttle_us=throttle, pitch_deg=pitch, ramp_s=ramp_s))
        held.append((throttle, pitch))
        at_s += ramp_s + hold_s
        hold_s = float(rng.uniform(12.0, 30.0))
        throttle, pitch = _next_point(rng, held)
    points.append(SetPoint(at_s, throttle_us=1000.0))
    return Schedule(tuple(points), at_s + 3.0)


def random_spin(rng: np.random.Generator, damaged: bool) -> Spin:
    """One spin of one random stand; a damaged one has a fault that takes 20 s to grow, begun after the first hold.

    The faults: a root crack (unbalance and 2P by the square of time, the blade may leave), a weight that works loose
    (unbalance, straight), a pitch link that wears (blade angle, straight).
    """
    settings = PlantSettings.random(rng)
    schedule = random_schedule(rng)
    fault = _random_fault(rng, schedule) if damaged else None
    run = simulate_run(settings, schedule, rng, (fault,) if fault else (), slow_rate_hz=100.0, axes=("ay_g", "az_g"))
    return Spin(run, schedule, fault)


def _next_point(rng: np.random.Generator, held: list[tuple[float, float]]) -> tuple[float, float]:
    if rng.random() < RETURN_SHARE:
        return held[int(rng.integers(len(held)))]
    throttle, pitch = held[-1]
    kind = rng.integers(3)
    if kind != 0:
        throttle = float(rng.uniform(*THROTTLE_US))
    if kind != 1:
        pitch = float(rng.uniform(*PITCH_DEG))
    return throttle, pitch


def _random_fault(rng: np.random.Generator, schedule: Schedule) -> Fault:
    end_s = schedule.points[-1].at_s
    start_s = float(rng.uniform(schedule.points[0].at_s + FIRST_HOLD_S * 0.75, end_s - GROWTH_S - 2.0))
    angle = float(rng.uniform(0.0, 360.0))
    kind = rng.integers(3)
    if kind == 0:
        leaves = bool(rng.random() < 0.5)
        return RootCrack(start_s=start_s, growth_s=GROWTH_S, angle_deg=angle, blade_leaves=leaves)
    if kind == 1:
        return AddedUnbalance(start_s=start_s, growth_s=GROWTH_S, angle_deg=angle)
    return LoosePitchLink(start_s=start_s, growth_s=GROWTH_S)
