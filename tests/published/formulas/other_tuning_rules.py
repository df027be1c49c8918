"""Tuning rules that are not advised from, to set beside the one that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from whirlbench.analysis.governor.tuning_rules import Gains, SimpleDrive


def cancelled_zero(zero_s: float, lag_s: float, dead_time_s: float) -> tuple[float, float]:
    """(gain factor, remaining lag) that stand for (zero s + 1) / (lag s + 1), with lag >= zero > 0.

    A zero of more than five dead times is fast against nothing: only the ratio counts. Source: Skogestad 2003.
    """
    if not lag_s >= zero_s > 0.0:
        raise ValueError(f"a zero of {zero_s:g} s must lie between 0 and its lag of {lag_s:g} s")
    return (zero_s / lag_s, 0.0) if zero_s >= 5.0 * dead_time_s else (1.0, lag_s - zero_s)


def lambda_rule(drive: SimpleDrive, closed_loop_time_s: float) -> Gains:
    """PI with the integral time equal to the lag, whatever the knob. Source: lambda (internal model) tuning."""
    return Gains(drive.lag_s / (drive.gain * (closed_loop_time_s + drive.dead_time_s)), drive.lag_s)


def amigo_pi(drive: SimpleDrive) -> Gains:
    """Approximate maximum integral action at a sensitivity of 1.4; needs a dead time above zero.

    Source: Astrom and Hagglund, J. Process Control 14 (2004) 635, from memory.
    """
    k, t, dead = drive.gain, drive.lag_s, drive.dead_time_s
    proportional = 0.15 / k + (0.35 - dead * t / (dead + t) ** 2) * t / (k * dead)
    return Gains(proportional, 0.35 * dead + 13.0 * dead * t * t / (t * t + 12.0 * dead * t + 7.0 * dead * dead))


def amigo_pid(drive: SimpleDrive) -> Gains:
    """The same with derivative action, in the parallel form. Source as ``amigo_pi``."""
    k, t, dead = drive.gain, drive.lag_s, drive.dead_time_s
    integral = (0.4 * dead + 0.8 * t) / (dead + 0.1 * t) * dead
    return Gains((0.2 + 0.45 * t / dead) / k, integral, 0.5 * dead * t / (0.3 * dead + t), series=False)


@dataclass(frozen=True)
class Ultimate:
    """Gain at which a proportional loop just keeps swinging, and the period of it in s."""

    gain: float
    period_s: float


def ultimate(lags_s: Sequence[float], dead_time_s: float, gain: float = 1.0) -> Ultimate:
    """Limit of stability under proportional action alone; inf for at most two lags without dead time."""
    if dead_time_s <= 0.0 and len(lags_s) < 3:
        return Ultimate(math.inf, 0.0)

    def past_half_turn(omega: float) -> float:
        return omega * dead_time_s + sum(math.atan(omega * lag) for lag in lags_s) - math.pi

    low = high = 1e-3 / (dead_time_s + sum(lags_s))
    while past_half_turn(high) < 0.0:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = (low + high) / 2.0
        low, high = (middle, high) if past_half_turn(middle) < 0.0 else (low, middle)
    size = math.prod(math.hypot(1.0, high * lag) for lag in lags_s)
    return Ultimate(size / abs(gain), 2.0 * math.pi / high)


def relay_swing(drive: SimpleDrive, relay: float) -> tuple[float, float, float]:
    """(amplitude, period in s, apparent ultimate gain) under an ideal relay of height ``relay`` > 0; one lag.

    The describing function 4 d / (pi a) is up to a fifth too low for small dead times: never tune from it unasked.
    Source: Astrom and Hagglund, Automatica 20 (1984) 645, from memory; amplitude and period are exact for one lag.
    """
    fall = drive.dead_time_s / drive.lag_s
    amplitude = abs(drive.gain) * relay * (1.0 - math.exp(-fall))
    return amplitude, 2.0 * drive.lag_s * math.log(2.0 * math.exp(fall) - 1.0), 4.0 * relay / (math.pi * amplitude)
