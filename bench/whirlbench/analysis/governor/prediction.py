"""What the loop will do, before it is closed: the governor's law against many possible drives at once.

The law is the device's: one step every 2 ms on the latest tach period, whole microseconds out, the range and the slew
limiting it, the integrator stopped while it is held back. It runs here in floating point on all drives side by side;
a test holds it against the exact integer law.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop import LoopModel, exponentials, unit_answer

TICK_S = 2e-3


@dataclass(frozen=True)
class LawSettings:
    """The governor as set on the device: gains in us per rpm (and per second), range and slew of the pulse in us."""

    kp_us_per_rpm: float
    ki_us_per_rpm_s: float
    min_us: float
    max_us: float
    rise_us_per_s: float
    fall_us_per_s: float


@dataclass(frozen=True)
class Trial:
    """What is done to the closed loop at time zero: the request moves, or a load comes on as ``load_rpm`` says.

    ``speed_rpm`` is the speed before, ``pulse_us`` the pulse that holds it. ``load_rpm`` is ``(drives, n)``: what the
    speed of each drive would do every 2 ms if nobody governed; None for no load.
    """

    speed_rpm: float
    pulse_us: float
    duration_s: float
    request_step_rpm: float = 0.0
    load_rpm: np.ndarray | None = None
    edge_jitter_s: float = 0.0


@dataclass(frozen=True)
class Answers:
    """Speeds in rpm and pulses in us, ``(drives, n)``, at ``since_s`` ``(n,)`` after the trial began."""

    since_s: np.ndarray
    speed_rpm: np.ndarray
    pulse_us: np.ndarray


class Drives:
    """Linear drives side by side, advanced tick by tick with their own dead times."""

    def __init__(self, models: Sequence[LoopModel], pulse_us: float) -> None:
        if any(model.form == "integrating" for model in models):
            raise ValueError("an integrating drive never settled: it is not predicted from")
        pairs = [exponentials(model) for model in models]
        width = max(len(poles) for _, poles in pairs)
        self.pole = np.zeros((len(models), width), dtype=complex)
        self.weight = np.zeros((len(models), width), dtype=complex)
        for row, (coefficients, poles) in enumerate(pairs):
            self.pole[row, : len(poles)] = poles
            self.weight[row, : len(poles)] = -coefficients * [model.gain for model in models][row]
        self.decay = np.exp(self.pole * TICK_S)
        self.grow = 1.0 - self.decay
        self.state = np.zeros_like(self.pole)
        delays = np.array([model.dead_time_s for model in models]) / TICK_S
        self.whole, self.part = np.floor(delays).astype(int), delays - np.floor(delays)
        self.sent = np.full((int(self.whole.max()) + 2, len(models)), pulse_us)
        self.base_us, self.tick, self.row = pulse_us, 0, np.arange(len(models))

    def advance(self, pulse_us: np.ndarray) -> np.ndarray:
        """Change of speed in rpm one tick later, with ``pulse_us`` sent meanwhile; all ``(drives,)``."""
        slots = len(self.sent)
        self.sent[self.tick % slots] = pulse_us
        newer = self.sent[(self.tick - self.whole) % slots, self.row]
        older = self.sent[(self.tick - self.whole - 1) % slots, self.row]
        arrived = newer + self.part * (older - newer) - self.base_us
        self.state = self.decay * self.state + self.grow * arrived[:, None]
        self.tick += 1
        change: np.ndarray = (self.weight * self.state).real.sum(axis=1)
        return change


class Tachs:
    """Latest tach period of each drive, one pulse a revolution, starting anywhere in a turn."""

    def __init__(self, count: int, speed_rpm: float, jitter_s: float, rng: np.random.Generator) -> None:
        self.rng, self.jitter_s = rng, jitter_s
        self.turned = rng.uniform(0.0, 1.0, count)
        self.edge_s = -TICK_S - self.turned * 60.0 / speed_rpm  # the first tick ends at zero
        self.period_s = np.full(count, 60.0 / speed_rpm)

    def advance(self, end_s: float, speed_rpm: np.ndarray) -> np.ndarray:
        """Speed in whole rpm as the device sees it after a tick that ended at ``end_s``."""
        turned = self.turned + np.maximum(speed_rpm, 1.0) * TICK_S / 60.0
        crossed = turned >= 1.0
        late = (turned - 1.0) * 60.0 / np.maximum(speed_rpm, 1.0)
        edge = end_s - late + self.jitter_s * self.rng.standard_normal(len(turned))
        self.period_s = np.where(crossed, np.maximum(edge - self.edge_s, 1e-4), self.period_s)
        self.edge_s = np.where(crossed, edge, self.edge_s)
        self.turned = np.where(crossed, turned - 1.0, turned)
        seen: np.ndarray = np.round(60.0 / self.period_s)
        return seen


class Laws:
    """The governor's law on all drives, engaged without a bump."""

    def __init__(self, settings: LawSettings, count: int, pulse_us: float) -> None:
        self.settings = settings
        self.output = np.full(count, pulse_us)
        self.integral: np.ndarray | None = None
        self.rise, self.fall = settings.rise_us_per_s * TICK_S, settings.fall_us_per_s * TICK_S

    def step(self, error_rpm: np.ndarray) -> np.ndarray:
        """Pulse in whole us after one step."""
        own = self.settings
        proportional, push = own.kp_us_per_rpm * error_rpm, own.ki_us_per_rpm_s * TICK_S * error_rpm
        if self.integral is None:
            self.integral = self.output - proportional
        wanted = proportional + self.integral + push
        inside = np.clip(wanted, own.min_us, own.max_us)
        self.output = np.clip(inside, self.output - self.fall, self.output + self.rise)
        free = (wanted - self.output) * push <= 0.0
        self.integral = self.integral + push * free
        rounded: np.ndarray = np.floor(self.output + 0.5)
        return rounded


def predict(models: Sequence[LoopModel], settings: LawSettings, trial: Trial, rng: np.random.Generator) -> Answers:
    """Answers of all ``models`` (pulse to rpm, none integrating) under ``settings`` to ``trial``.

    The loop is closed and quiet before. ``rng`` starts the tachs and shakes their edges; it changes nothing else.
    """
    count, ticks = len(models), int(trial.duration_s / TICK_S)
    drives, laws = Drives(models, trial.pulse_us), Laws(settings, count, trial.pulse_us)
    tachs = Tachs(count, trial.speed_rpm, trial.edge_jitter_s, rng)
    laws.step(np.zeros(count))
    speeds, pulses = np.empty((ticks, count)), np.empty((ticks, count))
    speed = np.full(count, trial.speed_rpm)
    request = trial.speed_rpm + trial.request_step_rpm
    for tick in range(ticks):
        seen = tachs.advance(tick * TICK_S, speed)
        pulses[tick] = laws.step(request - seen)
        speed = trial.speed_rpm + drives.advance(pulses[tick])
        if trial.load_rpm is not None:
            speed = speed + trial.load_rpm[:, tick]
        speeds[tick] = speed
    return Answers((np.arange(ticks) + 1.0) * TICK_S, speeds.T, pulses.T)


def load_answers(models: Sequence[LoopModel], change: float, duration_s: float) -> np.ndarray:
    """What a step of ``change`` at another lever does to each of ``models``, ungoverned: ``(drives, n)``."""
    since = (np.arange(int(duration_s / TICK_S)) + 1.0) * TICK_S
    return np.array([model.gain * change * unit_answer(model, since - model.dead_time_s) for model in models])
