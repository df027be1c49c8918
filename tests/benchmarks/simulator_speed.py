"""How many times faster than real time the simulated stand runs: `python tests/benchmarks/simulator_speed.py`.

One core; CPU time, best of three.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.device.simulated_port import simulated_device
from whirlbench.simulator.runs import simulate_run
from whirlbench.simulator.stand import Plant, PlantSettings, RootCrack, Schedule, SetPoint

SECONDS = 20.0
SETTINGS = PlantSettings.from_rig(parse_rig(example_rig_text()))
GAINS = 'mode = "throttle"\nkp_us_per_rpm = 0.05\nki_us_per_rpm_s = 0.4'
GOVERNED = PlantSettings.from_rig(parse_rig(example_rig_text().replace('mode = "pass_through"', GAINS)))
HOLD = Schedule((SetPoint(0.5, throttle_us=1500, pitch_deg=10.0, ramp_s=1.0),), SECONDS)
REQUEST = Schedule((*HOLD.points, SetPoint(3.0, request_rpm=3500)), SECONDS)


def stepwise(step_s: float, vibration: bool) -> None:
    """The plant as a device or a simulated microcontroller steps it."""
    plant = Plant(SETTINGS, np.random.default_rng(1))
    block = np.arange(16) / 1600.0
    for number in range(1, round(SECONDS / step_s) + 1):
        plant.advance(number * step_s, 1500, 1400)
        plant.take_edges()
        if vibration and number % round(0.01 / step_s) == 0:
            plant.acceleration_g(number * step_s - 0.01 + block)


def device() -> None:
    """The whole device on its stand: 500 slow samples, 100 vibration blocks a second, framed."""
    device = simulated_device(example_rig_text(), 1)
    for number in range(1, round(SECONDS / 0.01) + 1):
        device.exchange(number * 0.01, b"")


def quick(
    settings: PlantSettings, schedule: Schedule, rate_hz: float, axes: tuple[str, ...], fault: bool = False
) -> None:
    """A run as arrays."""
    faults = (RootCrack(8.0, 10.0),) if fault else ()
    simulate_run(settings, schedule, np.random.default_rng(1), faults, vibration_rate_hz=rate_hz, axes=axes)


CASES: dict[str, Callable[[], None]] = {
    "plant, steps of 1 ms, no vibration": lambda: stepwise(0.001, False),
    "plant, steps of 2 ms, no vibration": lambda: stepwise(0.002, False),
    "plant, steps of 1 ms, 3 axes in blocks of 16": lambda: stepwise(0.001, True),
    "device at rest: plant, sensors, rules, frames": device,
    "quick run, no vibration": lambda: quick(SETTINGS, HOLD, 0.0, ()),
    "quick run, 2 axes at 1600/s": lambda: quick(SETTINGS, HOLD, 1600.0, ("ay_g", "az_g")),
    "quick run, 3 axes at 1600/s": lambda: quick(SETTINGS, HOLD, 1600.0, ("ax_g", "ay_g", "az_g")),
    "quick run, 3 axes at 3200/s": lambda: quick(SETTINGS, HOLD, 3200.0, ("ax_g", "ay_g", "az_g")),
    "quick run, 2 axes, root crack": lambda: quick(SETTINGS, HOLD, 1600.0, ("ay_g", "az_g"), True),
    "quick run, bench governor, no vibration": lambda: quick(GOVERNED, REQUEST, 0.0, ()),
}


def cpu_seconds(case: Callable[[], None]) -> float:
    """CPU time of the best of three."""
    spent = []
    for _ in range(3):
        start = time.process_time()
        case()
        spent.append(time.process_time() - start)
    return min(spent)


if __name__ == "__main__":
    for name, case in CASES.items():
        print(f"{name:48s} {SECONDS / cpu_seconds(case):6.0f} x real time")
