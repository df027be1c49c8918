"""Throttle steps of a drive made of difference equations alone: shares no code with the simulator or the analysis.

A lag behind a dead time, with what a real stand may add: a speed controller that ramps, a ceiling of the speed, gusts
that push the rotor through its own lag. A logger of its own clock takes the speed and the lever: what kind of speed it
writes is an argument, and where its samples fall between the moves is chance. Invented figures, of a stand's size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run, SlowSamples, TachPulses

FINE_S = 5e-4
CHANNELS = ("bare", "averaged", "held", "filtered", "edges")


@dataclass(frozen=True)
class Truth:
    """Gain in rpm per µs, lag and dead time in s, and what stands between the lever and the shaft.

    ``ramp_s``: time that the speed controller takes for the whole step. ``ceiling``: part of the step's answer at which
    the speed stops climbing. ``gust_rpm`` and ``gust_s``: deviation and correlation time of the speed that gusts alone
    would make. ``second_lag_s``: another lag of the shaft.
    """

    gain: float = 6.0
    lag_s: float = 0.35
    dead_s: float = 0.06
    base_rpm: float = 3000.0
    ramp_s: float = 0.0
    ceiling: float = np.inf
    gust_rpm: float = 0.0
    gust_s: float = 1.0
    second_lag_s: float = 0.0


@dataclass(frozen=True)
class Logger:
    """Rate, the kind of speed written (one of CHANNELS), its noise, its step of rounding, and the filter's lag."""

    rate_hz: float = 100.0
    channel: str = "bare"
    noise_rpm: float = 3.0
    rounding_rpm: float = 0.0
    filter_s: float = 0.0


def lagged(values: np.ndarray, lag_s: float, step_s: float = FINE_S) -> np.ndarray:
    """``values`` behind a lag, exactly as for values held between the samples."""
    if lag_s <= 0.0:
        return values
    from scipy.signal import lfilter

    keep = np.exp(-step_s / lag_s)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values - values[0]) + values[0])


def stepped_run(
    truth: Truth, logger: Logger, rng: np.random.Generator, steps: int = 4, hold_s: float = 5.0, change_us: float = 50.0
) -> Run:
    """A run of ``steps`` throttle moves there and back, each held ``hold_s``; the first after one hold."""
    duration_s = (steps + 1) * hold_s
    fine_s = np.arange(0.0, duration_s, FINE_S)
    moves_s = hold_s * np.arange(1, steps + 1) + rng.uniform(0.0, 0.2, steps)
    lever = np.zeros_like(fine_s)
    for number, at_s in enumerate(moves_s):
        lever += change_us * (-1.0) ** number * (fine_s >= at_s)
    rpm = _speed(truth, fine_s, moves_s, change_us, rng)
    time_s = np.arange(rng.uniform(0.0, 1.0 / logger.rate_hz), duration_s - 0.05, 1.0 / logger.rate_hz)
    throttle = 1500.0 + lever[(time_s / FINE_S).astype(int)]
    edges = _edges(fine_s, rpm, rng)
    slow = SlowSamples(time_s, rpm=_logged(logger, time_s, fine_s, rpm, edges, rng), throttle_us=throttle)
    return Run(slow, TachPulses(edges) if logger.channel == "edges" else TachPulses())


def _speed(
    truth: Truth, fine_s: np.ndarray, moves_s: np.ndarray, change_us: float, rng: np.random.Generator
) -> np.ndarray:
    drive = np.zeros_like(fine_s)
    for number, at_s in enumerate(moves_s):
        since = fine_s - at_s - truth.dead_s
        ramp = np.clip(since / truth.ramp_s, 0.0, 1.0) if truth.ramp_s > 0.0 else (since >= 0.0).astype(float)
        drive += truth.gain * change_us * (-1.0) ** number * ramp
    answer = np.minimum(lagged(lagged(drive, truth.lag_s), truth.second_lag_s), truth.ceiling * truth.gain * change_us)
    return truth.base_rpm + answer + _gusts(truth, len(fine_s), rng)


def _gusts(truth: Truth, count: int, rng: np.random.Generator) -> np.ndarray:
    """What gusts alone make of the speed: coloured noise through the shaft's lag, of the stated deviation."""
    if truth.gust_rpm <= 0.0:
        return np.zeros(count)
    spare = int(10.0 * truth.gust_s / FINE_S)
    push = lagged(rng.standard_normal(count + spare), truth.gust_s)
    moved = lagged(push, truth.lag_s)[spare:]
    a, b = np.exp(-FINE_S / truth.gust_s), np.exp(-FINE_S / truth.lag_s)
    power = (1 - a) ** 2 * (1 - b) ** 2 * (1 + a * b) / ((1 - a * a) * (1 - b * b) * (1 - a * b))
    return truth.gust_rpm * moved / np.sqrt(power)


def _edges(fine_s: np.ndarray, rpm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    turn = rng.uniform() + np.concatenate([[0.0], np.cumsum((rpm[1:] + rpm[:-1]) / 120.0 * FINE_S)])
    edges = np.interp(np.arange(1.0, np.floor(turn[-1])), turn, fine_s)
    return edges + 5e-6 * rng.standard_normal(len(edges))


def _logged(
    logger: Logger, time_s: np.ndarray, fine_s: np.ndarray, rpm: np.ndarray, edges: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """The speed as the logger writes it: the noise is the sensor's, before its filter and its rounding."""
    if logger.channel in ("held", "edges"):
        last = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 1, None)
        value = 60.0 / (edges[last] - edges[last - 1])
    elif logger.channel == "averaged":
        turned = np.concatenate([[0.0], np.cumsum(rpm[:-1] * FINE_S)])
        begin = np.maximum(time_s - 1.0 / logger.rate_hz, 0.0)
        span = np.maximum(time_s - begin, FINE_S)
        value = (np.interp(time_s, fine_s, turned) - np.interp(begin, fine_s, turned)) / span
        value[0] = value[1]
        value = value + logger.noise_rpm * rng.standard_normal(len(value))
    else:
        value = np.interp(time_s, fine_s, rpm) + logger.noise_rpm * rng.standard_normal(len(time_s))
        if logger.channel == "filtered":
            value = lagged(value, logger.filter_s, 1.0 / logger.rate_hz)
    return logger.rounding_rpm * np.round(value / logger.rounding_rpm) if logger.rounding_rpm else value
