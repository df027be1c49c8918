"""A lag behind a dead time under a governor, by difference equations alone: relay, or proportional and integral."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from whirlbench.samples import Run, SlowSamples

FINE_S = 1e-3


def governed_run(
    law: Callable[[float, float], float], duration_s: float, rng: np.random.Generator, gust_rpm: float = 0.0,
    gain: float = 6.0, lag_s: float = 0.35, dead_s: float = 0.06, request_rpm: float = 3000.0,
) -> Run:  # fmt: skip
    """``law(error in rpm, its integral in rpm s)`` gives the pulse about 1500 µs; samples every 10 ms, 1 rpm noise."""
    count, late = round(duration_s / FINE_S), round(dead_s / FINE_S)
    sent = np.zeros(count + late)
    speed, integral, keep = 20.0, 0.0, np.exp(-FINE_S / lag_s)
    gusts = gust_rpm * np.sqrt(2.0 * lag_s / FINE_S) * rng.standard_normal(count)
    rpm = np.empty(count)
    for tick in range(count):
        integral -= speed * FINE_S
        sent[tick + late] = law(-speed, integral)
        speed = keep * speed + (1.0 - keep) * (gain * sent[tick] + gusts[tick])
        rpm[tick] = request_rpm + speed
    kept = np.arange(0, count, 10)
    return Run(
        SlowSamples(
            kept * FINE_S, rpm=rpm[kept] + rng.standard_normal(len(kept)), throttle_us=1500.0 + sent[late:][kept],
            speed_request_rpm=np.full(len(kept), request_rpm),
        )
    )  # fmt: skip
