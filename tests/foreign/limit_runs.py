"""Runs of holds whose pitch limits are known, of formulas alone: this module shares no code with simulator or analysis.

A propeller whose thrust kinks at stall and whose power climbs there, on a pack that sags and tires; speeds are held by
a governor nobody recorded. Loggers of any rate leave blanks and pauses; a linkage has play. Invented figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run, SlowSamples

DENSITY, DIAMETER_M = 1.2, 0.56


@dataclass(frozen=True)
class Propeller:
    """CT and electrical CP over blade angle: straight to stall, then a kink; a weak trend with speed."""

    slope: float = 0.0105  # of CT per degree
    stall_deg: float = 14.0
    after: float = 0.15  # slope of CT beyond stall, as a share of that before
    power: float = 0.9  # of the induced part
    drag: float = 0.012
    climb: float = 0.0022  # of CP per degree beyond stall, beside the rest
    trend: float = 0.02  # of either for each doubling of speed

    def ct(self, pitch_deg: np.ndarray, rpm: float) -> np.ndarray:
        """Thrust coefficient."""
        before = np.minimum(pitch_deg, self.stall_deg) + 1.0
        beyond = np.maximum(pitch_deg - self.stall_deg, 0.0)
        return self.slope * (before + self.after * beyond) * (rpm / 4500.0) ** self.trend

    def cp(self, pitch_deg: np.ndarray, rpm: float) -> np.ndarray:
        """Coefficient of the electrical power."""
        ct, beyond = self.ct(pitch_deg, 4500.0), np.maximum(pitch_deg - self.stall_deg, 0.0)
        return (self.power * ct**1.5 + self.drag + self.climb * beyond) * (rpm / 4500.0) ** self.trend

    def thrust_n(self, pitch_deg: np.ndarray, rpm: float) -> np.ndarray:
        """T = CT rho n^2 D^4."""
        return self.ct(pitch_deg, rpm) * DENSITY * (rpm / 60.0) ** 2 * DIAMETER_M**4

    def power_w(self, pitch_deg: np.ndarray, rpm: float) -> np.ndarray:
        """P = CP rho n^3 D^5."""
        return self.cp(pitch_deg, rpm) * DENSITY * (rpm / 60.0) ** 3 * DIAMETER_M**5

    @staticmethod
    def varied(rng: np.random.Generator) -> Propeller:
        """Another propeller of the same make."""
        scale = 1.0 + 0.1 * rng.standard_normal(3)
        stall_deg, after = rng.uniform(11.0, 17.0), rng.uniform(-0.1, 0.4)
        return Propeller(0.0105 * scale[0], stall_deg, after, 0.9 * scale[1], 0.012 * scale[2], rng.uniform(0.0, 0.004))


@dataclass(frozen=True)
class Logging:
    """How the holds were made and recorded."""

    rate_hz: float = 50.0
    hold_s: float = 9.0
    blank: float = 0.0  # share of cells without a value
    pauses: int = 0  # times the log stops for a second
    jitter: float = 0.02  # of the sample times, in intervals
    play_deg: float = 0.0  # of the blades against the reading, anew at each hold
    gust: float = 0.02  # of thrust, with a memory of a second
    speeds_rpm: tuple[float, ...] = (4200.0, 5000.0)
    pitches_deg: tuple[float, ...] = (4.0, 6.0, 8.0, 10.0, 11.5, 13.0, 14.5, 16.0, 18.0, 20.0)


def held_run(propeller: Propeller, logging: Logging, rng: np.random.Generator) -> Run:
    """All holds one after another, in mixed order."""
    points = [(rpm, pitch) for rpm in logging.speeds_rpm for pitch in logging.pitches_deg]
    order = rng.permutation(len(points))
    time_s = np.arange(0.0, logging.hold_s * len(points), 1.0 / logging.rate_hz)
    time_s = time_s + logging.jitter / logging.rate_hz * rng.uniform(-1.0, 1.0, len(time_s))
    which = np.clip((time_s / logging.hold_s).astype(int), 0, len(points) - 1)
    speeds, pitches = np.array(points)[order].T
    moved_s = np.minimum(np.maximum(time_s - which * logging.hold_s, 0.0), 1.0)
    before = np.maximum(which - 1, 0)
    rpm, pitch = (all_[before] + (all_[which] - all_[before]) * moved_s for all_ in (speeds, pitches))
    true = pitch + logging.play_deg * rng.standard_normal(len(points))[which]
    return _logged(propeller, logging, time_s, rpm, (pitch, true), rng)


def _logged(
    propeller: Propeller, logging: Logging, time_s: np.ndarray, rpm: np.ndarray,
    angles: tuple[np.ndarray, np.ndarray], rng: np.random.Generator,
) -> Run:  # fmt: skip
    count, (pitch, true) = len(time_s), angles
    gust = logging.gust * remembered(count, 1.0 / logging.rate_hz, 1.0, rng)
    speed = rpm * (1.0 + 0.001 * remembered(count, 1.0 / logging.rate_hz, 0.8, rng))
    scale = (speed / rpm) ** 2
    thrust = np.array([propeller.thrust_n(one, at) for one, at in zip(true, rpm, strict=True)]) * scale * (1.0 + gust)
    power = np.array([propeller.power_w(one, at) for one, at in zip(true, rpm, strict=True)]) * scale * (1 + gust / 2)
    open_v = 41.0 - 1.0 * time_s / time_s[-1]
    current = (open_v - np.sqrt(np.maximum(open_v**2 - 4.0 * 0.05 * power, 0.0))) / (2.0 * 0.05)
    columns = {
        "rpm": speed + 3.0 * rng.standard_normal(count),
        "pitch_deg": pitch + 0.03 * rng.standard_normal(count),
        "thrust_n": thrust + 0.4 * rng.standard_normal(count),
        "current_a": current + 0.3 * rng.standard_normal(count),
        "voltage_v": open_v - 0.05 * current + 0.03 * rng.standard_normal(count),
    }
    for values in columns.values():
        values[rng.uniform(size=count) < logging.blank] = np.nan
    kept = np.ones(count, bool)
    for begin_s in rng.uniform(0.0, time_s[-1], logging.pauses):
        kept &= ~((time_s >= begin_s) & (time_s < begin_s + 1.0))
    return Run(SlowSamples(time_s[kept], **{name: values[kept] for name, values in columns.items()}), source="log.csv")


def remembered(count: int, step_s: float, memory_s: float, rng: np.random.Generator) -> np.ndarray:
    """A first-order process of unit deviation."""
    keep = np.exp(-step_s / memory_s)
    values, state = np.empty(count), float(rng.standard_normal())
    for index, kick in enumerate(np.sqrt(1.0 - keep**2) * rng.standard_normal(count)):
        state = keep * state + kick
        values[index] = state
    return values


def true_limit_deg(propeller: Propeller, rpm: float, thrust_n: float, power_w: float) -> float | None:
    """Pitch at which the first of both limits is met; None when neither is, up to 20 degrees."""
    pitch = np.linspace(4.0, 20.0, 3201)
    over = (propeller.thrust_n(pitch, rpm) > thrust_n) | (propeller.power_w(pitch, rpm) > power_w)
    return float(pitch[np.argmax(over)]) if over.any() else None
