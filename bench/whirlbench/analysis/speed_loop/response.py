"""What a step looked like: rise, overshoot, settling, deviation, recovery, hunting, head-room; read off the record.

Nothing here knows a model; ``step_figures`` decides how much of a fit goes into the curve that is read. The lag and
dead time read off at two levels are the pencil-and-ruler cross-check of the fit: their constants are rounded, as
published (on a perfect record Smith's are 0.05 % and Sundaresan and Krishnaswamy's 0.7 %, of the lag, and 4 %, of the
dead time, off), and they ignore noise, drift and any second lag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import Step
from whirlbench.analysis.speed_loop.record import SpeedRecord

GRID_S = 2e-3  # the device's tick
LAST_PART = 0.3  # of the hold after the step: where the speed is called settled
RECOVERED = 0.1  # of the largest deviation: our definition of recovered, stated wherever it is printed
CLEAR = 3.0  # standard deviations that an overshoot must stand out of the noise
NAN = math.nan


@dataclass(frozen=True)
class Response:
    """Figures of one step; times in s from the instant of the step, NaN where a figure does not apply.

    ``rise_time_s`` 10 to 90 %, ``rise_time_0_100_s`` from the step to the first passage of the settled speed (only
    when it overshoots), ``settling_time_s`` into 2 % for good and ``settling_5pct_s`` into 5 %. ``deviation_rpm`` is
    the largest excursion from the speed before, ``recovery_s`` the time until it is within a tenth of that of the
    settled speed for good. ``droop_rpm`` is speed before minus settled speed where the request was not moved.
    ``noise_rpm`` is the standard deviation of the smoothed curve the figures were read from.
    """

    change_rpm: float
    rise_time_s: float = NAN
    rise_time_0_100_s: float = NAN
    overshoot_pct: float = NAN
    peak_time_s: float = NAN
    settling_time_s: float = NAN
    settling_5pct_s: float = NAN
    steady_error_rpm: float = NAN
    droop_rpm: float = NAN
    deviation_rpm: float = NAN
    recovery_s: float = NAN
    headroom_pct: float = NAN
    noise_rpm: float = NAN


@dataclass(frozen=True)
class Curve:
    """A step answer on an even grid: seconds since the step, speed smoothed over ``width_s``, both ``(n,)``."""

    since_s: np.ndarray
    speed_rpm: np.ndarray
    width_s: float


def smoothed_speed(record: SpeedRecord, at_s: np.ndarray, width_s: float) -> np.ndarray:
    """Mean speed in rpm over ``width_s`` around each of ``at_s``: turns made meanwhile, divided by the time.

    NaN outside the record; a gap in it is bridged straight.
    """
    fine = np.isfinite(record.speed_rpm)
    if fine.sum() < 2:
        return np.full(len(at_s), NAN)
    knots, turned = _angle(record, fine)
    half = width_s / 2.0
    speed: np.ndarray = (np.interp(at_s + half, knots, turned) - np.interp(at_s - half, knots, turned)) / width_s
    outside = (at_s - half < knots[0]) | (at_s + half > knots[-1])
    speed[outside] = NAN
    return speed


def _angle(record: SpeedRecord, fine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Knots of the shaft angle (here in rpm s) over time."""
    if record.averaged:
        speed = np.interp(record.mid_s, record.mid_s[fine], record.speed_rpm[fine])
        return record.edge_s, np.concatenate([[0.0], np.cumsum(speed * np.diff(record.edge_s))])
    time, speed = record.edge_s[fine], record.speed_rpm[fine]
    return time, np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2.0 * np.diff(time))])


def step_curve(record: SpeedRecord, step: Step, lag_s: float) -> Curve:
    """The answer to ``step`` from half a second before it to the next move, smoothed over a seventh of ``lag_s``.

    Never over less than two tach periods, nor four samples: shorter would show the tach, not the shaft.
    """
    local = record.between(step.at_s - min(step.before_s, 0.5), step.at_s + step.ramp_s + step.after_s)
    if len(local.edge_s) < 4:
        return Curve(np.empty(0), np.empty(0), NAN)
    spacing = float(np.median(np.diff(local.edge_s)))
    width = max(0.15 * lag_s, (2.0 if local.averaged else 4.0) * spacing)
    since = np.arange(-min(step.before_s, 0.5), step.ramp_s + step.after_s, GRID_S)
    return Curve(since, smoothed_speed(local, step.at_s + since, width), width)


def read_response(
    curve: Curve, step: Step, before_rpm: float, drift_rpm_per_s: float, noise_rpm: float, request_rpm: float = NAN
) -> Response:
    """Figures of ``curve``; ``before_rpm`` and ``drift_rpm_per_s`` describe what the speed would have done untouched.

    ``noise_rpm`` is the standard deviation of ``curve``; ``request_rpm`` the request in force afterwards, NaN if none.
    """
    moved = curve.speed_rpm - before_rpm - drift_rpm_per_s * curve.since_s
    after = np.isfinite(moved) & (curve.since_s >= 0.0)
    if after.sum() < 10:
        return Response(NAN, noise_rpm=noise_rpm)
    since, moved = curve.since_s[after], moved[after]
    settled = float(np.mean(moved[since > (1.0 - LAST_PART) * since[-1]]))
    error = request_rpm - (before_rpm + settled + drift_rpm_per_s * since[-1])
    common = {"steady_error_rpm": error, "noise_rpm": noise_rpm}
    if step.kind == "pitch":
        return Response(settled, **_disturbance(since, moved, settled, noise_rpm), **common)
    return Response(settled, **_transition(since, moved, settled, noise_rpm), **common)


def _transition(since: np.ndarray, moved: np.ndarray, settled: float, noise_rpm: float) -> dict[str, float]:
    if abs(settled) < CLEAR * noise_rpm:
        return {}
    part = moved / settled
    peak = int(np.argmax(part))
    overshoot = part[peak] - 1.0
    clear = overshoot * abs(settled) > CLEAR * noise_rpm
    return {
        "rise_time_s": crossing_s(since, part, 0.9) - crossing_s(since, part, 0.1),
        "rise_time_0_100_s": crossing_s(since, part, 1.0) if clear else NAN,
        "overshoot_pct": 100.0 * overshoot if clear else 0.0,
        "peak_time_s": float(since[peak]) if clear else NAN,
        "settling_time_s": _inside_for_good(since, moved - settled, 0.02 * abs(settled), noise_rpm),
        "settling_5pct_s": _inside_for_good(since, moved - settled, 0.05 * abs(settled), noise_rpm),
        "deviation_rpm": float(moved[np.argmax(np.abs(moved))]),
    }


def _disturbance(since: np.ndarray, moved: np.ndarray, settled: float, noise_rpm: float) -> dict[str, float]:
    largest = float(moved[np.argmax(np.abs(moved))])
    figures = {"deviation_rpm": largest, "droop_rpm": -settled}
    if abs(largest) < CLEAR * noise_rpm:
        return figures
    figures["recovery_s"] = _inside_for_good(since, moved - settled, RECOVERED * abs(largest), noise_rpm)
    if abs(settled) > 0.5 * abs(largest):  # it stays away: the answer of a drive that nobody governs
        figures |= {name: value for name, value in _transition(since, moved, settled, noise_rpm).items()}
        figures["recovery_s"] = NAN
    return figures


def _inside_for_good(since: np.ndarray, error: np.ndarray, band: float, noise_rpm: float) -> float:
    """Time of the last entry into the band, which is never taken narrower than the noise; NaN when it never stays."""
    outside = np.flatnonzero(np.abs(error) > max(band, CLEAR * noise_rpm))
    if not len(outside):
        return float(since[0])
    return float(since[outside[-1] + 1]) if since[outside[-1]] < 0.9 * since[-1] else NAN


@dataclass(frozen=True)
class Hunting:
    """A steady oscillation of the speed in a hold: amplitude (zero to peak) in rpm, frequency in Hz."""

    amplitude_rpm: float
    frequency_hz: float
    false_alarm: float  # probability that mere noise shows such a peak


FALSE_ALARM = 0.001
HUNTING_RANGE_HZ = (0.2, 20.0)  # below it is drift, above it is no loop of this size but torque ripple
FEWEST_SWINGS = 3.0  # whole swings that the stretch must hold


def find_hunting(record: SpeedRecord, from_s: float, to_s: float) -> Hunting | None:
    """The strongest oscillation of the speed between ``from_s`` and ``to_s``, None when it may be noise.

    The chance of noise making the highest of m periodogram peaks is Fisher's, taken as m (1 - g)^(m - 1) for a share
    g of the power (Proc. R. Soc. A 125, 1929, from memory). A wandering speed has its power at low frequencies anyhow:
    the spectrum is divided by that of a first-order autoregression before. Fewer than 32 speeds, less than 1 s, or
    fewer than three swings give None.
    """
    local = record.between(from_s, to_s)
    fine = np.isfinite(local.speed_rpm)
    if fine.sum() < 32 or to_s - from_s < 1.0:
        return None
    count = int(fine.sum())
    grid = np.linspace(local.mid_s[fine][0], local.mid_s[fine][-1], count)
    speed = np.interp(grid, local.mid_s[fine], local.speed_rpm[fine])
    speed = speed - np.polyval(np.polyfit(grid - grid[0], speed, 1), grid - grid[0])
    power = np.abs(np.fft.rfft(speed)) ** 2
    frequency = np.fft.rfftfreq(count, (grid[-1] - grid[0]) / (count - 1))
    lowest = max(HUNTING_RANGE_HZ[0], FEWEST_SWINGS / (grid[-1] - grid[0]))
    return _highest_peak(power[1:], frequency[1:], count, lowest, _wander(speed, len(power))[1:])


def _wander(speed: np.ndarray, lines: int) -> np.ndarray:
    """Shape of the spectrum of a first-order autoregression with the neighbours' correlation of ``speed``."""
    power = float(speed @ speed)
    correlation = float(speed[1:] @ speed[:-1]) / power if power > 0.0 else 0.0
    turn = np.exp(-1j * np.pi * np.arange(lines) / (lines - 1))
    shape: np.ndarray = 1.0 / np.abs(1.0 - correlation * turn) ** 2
    return shape


def _highest_peak(
    power: np.ndarray, frequency: np.ndarray, count: int, lowest_hz: float, wander: np.ndarray
) -> Hunting | None:
    searched = (frequency >= lowest_hz) & (frequency <= HUNTING_RANGE_HZ[1])
    if searched.sum() < 4 or power.sum() <= 0.0:
        return None
    flat = power / wander
    peak = int(np.flatnonzero(searched)[np.argmax(flat[searched])])
    share = float(flat[peak] / flat.sum())
    false_alarm = min(1.0, len(flat) * (1.0 - share) ** (len(flat) - 1))
    if false_alarm > FALSE_ALARM:
        return None
    around = power[max(peak - 1, 0) : peak + 2]
    centre = float(around @ frequency[max(peak - 1, 0) : peak + 2] / around.sum())
    return Hunting(2.0 * math.sqrt(float(around.sum())) / count, centre, false_alarm)


@dataclass(frozen=True)
class TwoPointFit:
    """Time constant and dead time in s, by the method named."""

    method: str
    time_constant_s: float
    dead_time_s: float


def smith(time_28_s: float, time_63_s: float) -> TwoPointFit:
    """Fit through 28.3 % and 63.2 % of the answer; times in s since the step.

    Source: C. L. Smith, Digital Computer Process Control (1972), from memory.
    """
    lag = 1.5 * (time_63_s - time_28_s)
    return TwoPointFit("Smith, 28.3 and 63.2 %", lag, time_63_s - lag)


def sundaresan_krishnaswamy(time_35_s: float, time_85_s: float) -> TwoPointFit:
    """Fit through 35.3 % and 85.3 % of the answer; times in s since the step.

    Source: Sundaresan and Krishnaswamy, Can. J. Chem. Eng. 56 (1978), from memory.
    """
    return TwoPointFit(
        "Sundaresan-Krishnaswamy, 35.3 and 85.3 %",
        0.67 * (time_85_s - time_35_s),
        1.3 * time_35_s - 0.29 * time_85_s,
    )


def two_point_fits(since_s: np.ndarray, part: np.ndarray) -> tuple[TwoPointFit, ...]:
    """Both fits of an answer ``part`` (0 before, 1 settled) sampled at ``since_s`` after the step, both ``(n,)``.

    A level that is never crossed leaves its fit out; NaN samples are ignored.
    """
    fits = []
    for method, levels in ((smith, (0.283, 0.632)), (sundaresan_krishnaswamy, (0.353, 0.853))):
        times = [crossing_s(since_s, part, level) for level in levels]
        if all(np.isfinite(times)):
            fits.append(method(*times))
    return tuple(fits)


def crossing_s(since_s: np.ndarray, part: np.ndarray, level: float) -> float:
    """First time at which ``part`` rises through ``level``, straight between samples; NaN when it never does."""
    fine = np.isfinite(part)
    time, value = since_s[fine], part[fine]
    above = np.flatnonzero(value >= level)
    if not len(above) or above[0] == 0:
        return float("nan")
    index = above[0]
    low, high = value[index - 1], value[index]
    return float(time[index - 1] + (level - low) / (high - low) * (time[index] - time[index - 1]))
