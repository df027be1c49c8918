"""Limits on trial: what a limit would have caught, how early, and how often it would have cried wolf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from whirlbench.errors import AnalysisError
from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig, with_limits
from whirlbench.rig.limits import WITH_MARGIN, WITH_RULE, Limit
from whirlbench.safety.back_test.feeding import back_test, rules_for, window_begins
from whirlbench.safety.host_rules import Trip
from whirlbench.safety.quantities import judged
from whirlbench.samples import SLOW_CHANNELS, Run, speed_from_pulses

# Limits with a number that may be moved; one that is speed in another unit is moved as speed.
_MOVED = {limit.key: limit for limit in WITH_MARGIN if limit.watch.factor is None}
SWEPT = tuple(_MOVED)
PIECE_WINDOWS = 4096  # that go through memory at a time
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
    """What one set of limits would have done to one run; ``lead_s`` from first trip to failure, None without."""

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
    """A limit for a chosen rate of false alarms; ``extrapolated`` when no healthy hour can show so rare a peak."""

    rule: str
    limit: float
    false_alarms_per_hour: float
    healthy_hours: float
    largest_seen: float
    extrapolated: bool


def judge(cases: Sequence[Case], rig: Rig) -> tuple[Verdict, ...]:
    """Back-test of the limits of ``rig`` on every case, with the rules that run live."""
    return tuple(verdict(case, back_test(case.run, rules_for(case.run, rig))) for case in cases)


def verdict(case: Case, trips: tuple[Trip, ...]) -> Verdict:
    """What ``trips``, in order of time, would have done to a run."""
    lead_s = None
    if case.failed_at_s is not None and trips and trips[0].at_s <= case.failed_at_s:
        lead_s = case.failed_at_s - trips[0].at_s
    return Verdict(case.run.source, trips, case.failed_at_s, lead_s)


def trade_off(cases: Sequence[Case], rig: Rig, rule: str, values: Sequence[float]) -> tuple[Trade, ...]:
    """Lead time against false alarms as the limit ``rule`` takes ``values``; all other limits are left out.

    Raises AnalysisError for a rule that has no number to move.
    """
    if rule not in SWEPT:
        raise AnalysisError(f"limit {rule!r} cannot be moved: choose one of {', '.join(SWEPT)}")
    alone = with_limits(rig, **{limit.key: None for limit in WITH_RULE}, trend_trips=())
    return tuple(_trade(cases, with_limits(alone, **{rule: float(value)}), float(value)) for value in values)


def suggest(healthy: Sequence[Run], rig: Rig, rule: str, false_alarms_per_hour: float) -> Suggestion:
    """The limit at which healthy running like ``healthy`` would trip ``false_alarms_per_hour`` times.

    Peaks over blocks of one second above their 95th percentile are taken to fall off exponentially (peaks over
    threshold with zero shape; Coles, An Introduction to Statistical Modeling of Extreme Values, from memory). Raises
    AnalysisError with less than a minute of the quantity, or for a rate that is not above zero.
    """
    if false_alarms_per_hour <= 0:
        raise AnalysisError(f"{false_alarms_per_hour:g} false alarms an hour: the rate must be above zero")
    sign = -1.0 if _moved(rule).watch.side == Side.LOWER else 1.0
    peaks = np.concatenate([sign * _block_peaks(run, rig, rule) for run in healthy] or [np.empty(0)])
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


def quantity(run: Run, rig: Rig, rule: str) -> tuple[np.ndarray, np.ndarray]:
    """(times in s, values) that the rule compares with its limit; empty where the run lacks the channel."""
    limit = _moved(rule)
    if limit.watch.rule == "vibration window":
        return _window_rms(run, rig.limits.vibration_window_samples)
    if limit.watch.rule == "overspeed" and len(run.tach.time_s) > 1:
        middle_s, speed = speed_from_pulses(run.tach)
        return middle_s, speed
    values = judged(limit, rig, {item.name: run.slow.channel(item.name) for item in SLOW_CHANNELS})
    assert values is not None  # a run has every channel, as NaN where it was not recorded
    values = np.abs(values) if limit.watch.side == Side.SIZE else values
    good = np.isfinite(values)
    return run.slow.time_s[good], values[good]


def _moved(rule: str) -> Limit:
    if rule not in _MOVED:
        raise AnalysisError(f"limit {rule!r} has no healthy level: choose one of {', '.join(SWEPT)}")
    return _MOVED[rule]


def _window_rms(run: Run, length: int) -> tuple[np.ndarray, np.ndarray]:
    """Root of the summed variances of all axes over the device's windows of ``length``; gaps spoil their window."""
    axes = run.vibration.axes()
    if not axes or not len(run.vibration.time_s):
        return np.empty(0), np.empty(0)
    begins = window_begins(run.vibration, length)
    rms = np.empty(len(begins))
    for first in range(0, len(begins), PIECE_WINDOWS):
        rows = begins[first : first + PIECE_WINDOWS, None] + np.arange(length)
        values = np.stack([np.asarray(getattr(run.vibration, axis)[rows], float) for axis in axes])
        rms[first : first + PIECE_WINDOWS] = np.sqrt(values.var(axis=2).sum(axis=0))
    good = np.isfinite(rms)
    return run.vibration.time_s[begins[good] + length - 1], rms[good]


def _block_peaks(run: Run, rig: Rig, rule: str) -> np.ndarray:
    """Largest value per second of turning (smallest for a lower limit)."""
    time_s, values = quantity(run, rig, rule)
    if not len(time_s):
        return np.empty(0)
    block = np.floor((time_s - time_s[0]) / BLOCK_S).astype(int)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    reduce = np.minimum.reduceat if _moved(rule).watch.side == Side.LOWER else np.maximum.reduceat
    peaks: np.ndarray = reduce(values, starts)
    turning: np.ndarray = peaks[_turning(run, time_s[starts])]
    return turning


def _turning(run: Run, time_s: np.ndarray) -> np.ndarray:
    if not run.slow.has("rpm"):
        return np.ones(len(time_s), bool)
    rpm = run.slow.channel("rpm")
    good = np.isfinite(rpm)
    turning: np.ndarray = np.interp(time_s, run.slow.time_s[good], rpm[good]) > 0.0
    return turning


def _trade(cases: Sequence[Case], rig: Rig, value: float) -> Trade:
    verdicts = judge(cases, rig)
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
