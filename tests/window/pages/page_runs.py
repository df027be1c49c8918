"""Made-up runs for the pages, and works that an worker can be sent on; a module, so that another process finds them."""

from __future__ import annotations

import functools
import time
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

import numpy as np
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.errors import AnalysisError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples, VibrationSamples
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings
from whirlbench.window.pages.page_work import Subject
from whirlbench.window.pages.worker import Doing

RATE_HZ = 800.0


@dataclass(frozen=True)
class HeldSubject(Subject):
    """A subject whose runs are at hand instead of in files."""

    first: Run | None = None
    second: Run | None = None

    def run(self) -> Run:
        """The run at hand."""
        assert self.first is not None
        return self.first

    def other_run(self) -> Run | None:
        """The second run at hand."""
        return self.second


def step_run(seed: int = 6) -> Run:
    """Four throttle steps of a well-known lag, and two of pitch."""
    steps = [LeverStep("throttle_us", 4.0 + 4.0 * k, 40.0 * (-1.0) ** k) for k in range(4)]
    steps += [LeverStep("pitch_deg", 20.0 + 4.0 * k, (-1.0) ** k) for k in range(2)]
    drives = {
        "throttle_us": LinearDrive(6.0, 0.06, time_constant_s=0.35),
        "pitch_deg": LinearDrive(-30.0, 0.05, time_constant_s=0.3),
    }
    faults = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=0.3)
    return record_steps(drives, steps, 28.0, np.random.default_rng(seed), faults=faults)


@functools.lru_cache(maxsize=2)
def hold_run(seed: int = 1) -> Run:
    """Holds of the example's stand at six pitches and two throttles."""
    points = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in (1550.0, 1780.0) for deg in (4.0, 8.0, 12.0, 16.0)]
    settings = PlantSettings.from_rig(parse_rig(example_rig_text()))
    schedule = Schedule.holds(points, each_s=8.0)
    return simulate_run(settings, schedule, np.random.default_rng(seed), vibration_rate_hz=0)


def shaking_run(grows: bool, seed: int = 3, mark_deg: float = 30.0) -> Run:
    """Forty seconds at 3000 rpm; 1P stands at ``mark_deg`` and, if it ``grows``, rises from 25 s on."""
    from whirlbench.samples import SlowSamples, TachPulses

    rng = np.random.default_rng(seed)
    time_s, slow_s = np.arange(0.0, 40.0, 1 / RATE_HZ), np.arange(0.0, 40.0, 0.02)
    amplitude = 0.5 + (0.2 * np.maximum(time_s - 25.0, 0.0) if grows else 0.0)
    turns = 50.0 * time_s
    wave = amplitude * np.cos(2 * np.pi * turns + np.radians(mark_deg))
    return Run(
        SlowSamples(slow_s, rpm=3000.0 + rng.normal(0.0, 1.0, len(slow_s))),
        TachPulses(np.arange(0.0, 40.0, 0.02)),
        VibrationSamples(time_s, ay_g=wave + rng.normal(0.0, 0.05, len(time_s)), rate_hz=RATE_HZ),
        source="growing.h5" if grows else "steady.h5",
    )


Answers = Generator[Any, Any, None]


def doubling(value: float) -> Answers:
    """Doubles its value and every question; refuses negative ones by ending."""
    yield Doing("doubling")
    while True:
        if value < 0:
            raise AnalysisError(f"found {value:g}, expected a value that is not negative")
        value = yield 2 * value


def slow_doubling(value: float) -> Answers:
    """Like ``doubling`` with a tenth of a second for each answer."""
    while True:
        time.sleep(0.1)
        value = yield 2 * value


def endless() -> Answers:
    """Never has a result."""
    yield Doing("counting to infinity")
    while True:
        time.sleep(0.05)


def broken() -> Answers:
    """Has a mistake in it."""
    yield 1 / 0


def dying() -> Answers:
    """Ends without a word."""
    import os

    os._exit(7)
    yield None


def long_rows(counts: tuple[int, ...]) -> Generator[Any, Any, None]:
    """Runs of so many rows, whose speed was recorded and whose request was never made."""
    ramps = (np.arange(float(rows)) for rows in counts)
    yield tuple(SlowSamples(ramp, rpm=ramp, speed_request_rpm=np.broadcast_to(np.nan, len(ramp))) for ramp in ramps)
