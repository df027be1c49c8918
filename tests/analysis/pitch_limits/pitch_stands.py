"""Made-up holds on a simulated stand, for the tests of pitch limits."""

from __future__ import annotations

import functools

import numpy as np

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits import PitchLimits, pitch_limits
from whirlbench.analysis.propeller import Hold, find_holds
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings

THROTTLES_US = (1550.0, 1780.0)
PITCHES_DEG = (4.0, 6.0, 8.0, 10.0, 12.0, 13.5, 15.0, 16.5, 18.0, 20.0)


def rig_with(**limits: float) -> Rig:
    """The example rig with only the limits named, and the overspeed."""
    text = example_rig_text()
    head, rest = text.split("[limits]", 1)
    tail = rest[rest.index("\n[") :]
    keys = "".join(f"{name} = {value}\n" for name, value in {"overspeed_rpm": 6200.0, **limits}.items())
    return parse_rig(f"{head}[limits]\n{keys}{tail}")


@functools.lru_cache(maxsize=8)
def measured_holds(seed: int = 1) -> tuple[Hold, ...]:
    """Twenty settled holds of the example's stand, in mixed order."""
    rng = np.random.default_rng(seed)
    settings = PlantSettings.from_rig(rig_with())
    points = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in THROTTLES_US for deg in PITCHES_DEG]
    order = rng.permutation(len(points))
    schedule = Schedule.holds([points[place] for place in order], each_s=10.0)
    return find_holds(simulate_run(settings, schedule, rng, vibration_rate_hz=0)).holds


def limits_for(rig: Rig, *speeds_rpm: float, seed: int = 1) -> PitchLimits:
    """Pitch limits of the example's stand under the limits of ``rig``."""
    return pitch_limits(measured_holds(seed), rig, air_density_kg_m3(rig, "test"), speeds_rpm or None)
