"""Limits on trial: what a limit would have caught, how early, and how often it would have cried wolf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Any

import numpy as np

from whirlbench.errors import AnalysisError
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.host_rules import Trip
from whirlbench.safety.trip_limits import TripLimits
from whirlbench.samples import Run, speed_from_pulses

SWEPT = ("overspeed_rpm", "vibration_g_rms", "current_a", "thrust_n", "power_w", "minimum_voltage_v")
LOWER = ("minimum_voltage_v",)
BLOCK_S = 1.0  # peaks within one second are one event
TAIL_SHARE = 0.05  # of the seconds, taken as the tail that is extrapolated
LEAST_SECONDS = 60


@dataclass(frozen=True)
class Case:
    """A run on trial; ``failed_at_s`` None for a healthy one."""

    run: Run
    failed_at_s: float | None = None


@dataclass(frozen=True)
class Verdict:
    """What one set of limits would have done to one run; ``lead_s`` from the first trip to the failure, None
    without."""

    source: str
    trips: tuple[Trip, ...]
    failed_at_s: float | None
    lead_s: float | None


@dataclass(frozen=True)
class Trade:
    """One value of a limit: share of failures caught before they happened, median lead, false alarms per hour.

    NaN where no failed or no healthy run was given.
    """

    limit: float
    caught_share: float
    median_lead_s: float
    false_alarms_per_hour: float


@dataclass(frozen=True)
class Suggestion:
    """A limit for a chosen rate of false alarms; ``extrapolated`` when the healthy hours alone cannot show so rare
    a peak."""

    rule: str
    limit: float
    false_alarms_per_hour: float
    healthy_hours: float
    largest_seen: float
    extrapolated: bool


def judge(cases: Sequence[Case], limits: TripLimits) -> tuple[Verdict, ...]:
    """Back-test of ``limits`` on every case, with the rules that run live."""
    return tuple(_verdict(case, limits) for case in cases)


def trade_off(cases: Sequence[Case], limits: TripLimits, rule: str, values: Sequence[float]) -> tuple[Trade, ...]:
    """Lead time against false alarms as the limit ``rule`` takes ``values``; all other limits are left out.

    Raises AnalysisError for a rule that has no number to move.
    """
    if rule not in SWEPT:
        raise AnalysisError(f"limit {rule!r} cannot be moved: choose one of {', '.join(SWEPT)}")
    none: dict[str, Any] = dict.fromkeys((*SWEPT, "tip_mach", "lost_tach_s"))
    alone = replace(limits, **none)
    return tuple(_trade(cases, _with(alone, rule, float(value)), float(value)) for value in values)


def suggest(healthy: Sequence[Run], limits: TripLimits, rule: str, false_alarms_per_hour: float) -> Suggestion:
    """The limit at which healthy running like ``healthy`` would trip ``false_alarms_per_hour`` times.

    Peaks over blocks of one second above their 95th percentile are taken to fall off exponentially (peaks over
    threshold with zero shape; Coles, An Introduction to Statistical Modeling of Extreme Values, from memory). Raises
    AnalysisError with less than a minute of the quantity, or for a rate that is not above zero.
    """
    if false_alarms_per_hour <= 0:
        raise AnalysisError(f"{false_alarms_per_hour:g} false alarms an hour: the rate must be above zero")
    sign = -1.0 if rule in LOWER else 1.0
    peaks = np.concatenate([sign * _block_peaks(run, limits, rule) for run in healthy] or [np.empty(0)])
    if len(peaks) < LEAST_SECONDS:
        raise AnalysisError(f"{len(peaks)} s of healthy running show {rule}: at least {LEAST_SECONDS} s are needed")
    hours = len(peaks) * BLOCK_S / 3600.0
    threshold = float(np.quantile(peaks, 1.0 - TAIL_SHARE))
    tail = peaks[peaks > threshold] - threshold
    fall = float(tail.mean()) if len(tail) else 0.0
    limit = threshold + fall * log(max(len(tail) / hours / false_alarms_per_hour, 1.0))
    return Suggestion(
        rule, sign * limit, false_alarms_per_hour, hours, sign * float(peaks.max()), false_alarms_per_hour * hours < 1.0
    )


def quantity(run: Run, limits: TripLimits, rule: str) -> tuple[np.ndarray, np.ndarray]:
    """(times in s, values) that the rule compares with its limit; empty where the run lacks the channel."""
    if rule == "vibration_g_rms":
        return _window_rms(run, limits)
    if rule == "overspeed_rpm" and len(run.tach.time_s) > 1:
        middle_s, speed = speed_from_pulses(run.tach)
        return middle_s, speed
    values = _slow_quantity(run, rule, limits)
    good = np.isfinite(values)
    return run.slow.time_s[good], values[good]


def _with(limits: TripLimits, rule: str, value: float) -> TripLimits:
    changed: dict[str, Any] = {rule: value}
    return replace(limits, **changed)


def _slow_quantity(run: Run, rule: str, limits: TripLimits) -> np.ndarray:
    """What the rule compares; current, thrust and power by their size, whichever their sign."""
    if rule == "power_w":
        return np.abs(run.slow.channel("current_a") * run.slow.channel("voltage_v"))
    if rule == "minimum_voltage_v":
        throttle = run.slow.channel("throttle_us")
        return np.where(throttle <= limits.safe_us, np.nan, run.slow.channel("voltage_v"))
    names = {"overspeed_rpm": "rpm", "current_a": "current_a", "thrust_n": "thrust_n"}
    if rule not in names:
        raise AnalysisError(f"limit {rule!r} has no healthy level: choose one of {', '.join(SWEPT)}")
    values = run.slow.channel(names[rule])
    return values if rule == "overspeed_rpm" else np.abs(values)


def _window_rms(run: Run, limits: TripLimits) -> tuple[np.ndarray, np.ndarray]:
    """Root of the summed variances of all axes over the device's windows; gaps spoil their window."""
    axes = run.vibration.axes()
    length = limits.vibration_window
    if not axes or not len(run.vibration.time_s):
        return np.empty(0), np.empty(0)
    rows = _window_rows(run.vibration.running_numbers() // length, length)
    values = np.stack([np.asarray(getattr(run.vibration, axis), float)[rows] for axis in axes])
    rms = np.sqrt(values.var(axis=2).sum(axis=0))
    good = np.isfinite(rms)
    return run.vibration.time_s[rows[good, -1]], rms[good]


def _window_rows(window: np.ndarray, length: int) -> np.ndarray:
    """Rows of the samples of each whole window, ``(windows, length)``; ``window`` is the number of each sample's."""
    begins = np.flatnonzero(np.diff(window, prepend=window[0] - 1))
    lengths = np.diff(np.append(begins, len(window)))
    return begins[lengths == length][:, None] + np.arange(length)


def _block_peaks(run: Run, limits: TripLimits, rule: str) -> np.ndarray:
    """Largest value per second of turning (smallest for a lower limit)."""
    time_s, values = quantity(run, limits, rule)
    if not len(time_s):
        return np.empty(0)
    block = np.floor((time_s - time_s[0]) / BLOCK_S).astype(int)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    reduce = np.minimum.reduceat if rule in LOWER else np.maximum.reduceat
    peaks = reduce(values, starts)
    return peaks[_turning(run, time_s[starts])]


def _turning(run: Run, time_s: np.ndarray) -> np.ndarray:
    if not run.slow.has("rpm"):
        return np.ones(len(time_s), bool)
    rpm = run.slow.channel("rpm")
    good = np.isfinite(rpm)
    return np.interp(time_s, run.slow.time_s[good], rpm[good]) > 0.0


def _verdict(case: Case, limits: TripLimits) -> Verdict:
    trips = back_test(case.run, rules_for(case.run, limits))
    lead_s = None
    if case.failed_at_s is not None and trips and trips[0].at_s <= case.failed_at_s:
        lead_s = case.failed_at_s - trips[0].at_s
    return Verdict(case.run.source, trips, case.failed_at_s, lead_s)


def _trade(cases: Sequence[Case], limits: TripLimits, value: float) -> Trade:
    verdicts = judge(cases, limits)
    leads = [one.lead_s for one in verdicts if one.failed_at_s is not None and one.lead_s is not None]
    failed = sum(one.failed_at_s is not None for one in verdicts)
    false = sum(bool(one.trips) for one in verdicts if one.failed_at_s is None)
    hours = sum(_watched_s(case, one) for case, one in zip(cases, verdicts, strict=True)) / 3600.0
    return Trade(
        value,
        len(leads) / failed if failed else float("nan"),
        float(np.median(leads)) if leads else float("nan"),
        false / hours if hours > 0 else float("nan"),
    )


def _watched_s(case: Case, verdict: Verdict) -> float:
    """Healthy seconds watched until the trip that would have ended them."""
    if case.failed_at_s is not None:
        return 0.0
    whole = case.run.duration_s()
    if not verdict.trips:
        return whole
    first = min(stream.time_s[0] for stream in (case.run.slow, case.run.vibration) if len(stream.time_s))
    return min(whole, verdict.trips[0].at_s - float(first))
