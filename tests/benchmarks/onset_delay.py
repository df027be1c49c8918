"""Delay of detection against Lorden's lower bound, and how often alarms come by luck.

    python tests/benchmarks/onset_delay.py [--quick]

The bound on the mean delay, in frames, of any rule that alarms by luck once in N frames is log(N) over the
Kullback-Leibler number, for a shift of d standard deviations d^2 / 2 (Lorden 1971). It is asymptotic: an exact rule may
lie a little below.
Two rules are held against it: the CUSUM made for the size that comes (by its integral equation), and the evidence that
`whirlbench onset` uses, which knows neither size nor shape nor time and allows for levels, warm-up and wandering.

Aim: a mean delay of at most 1.5 times the bound for every size from half a standard deviation on. Far smaller ones are
forgotten as wandering before they are sure, the price of calling slow wandering healthy (WANDER_PER_FRAME).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "published" / "formulas"))

from cumulative_sums import least_mean_delay, run_length, threshold_for

from whirlbench.analysis.onset.features import STEP_S, VIBRATION
from whirlbench.analysis.onset.likelihood_ratio import BLOCK, alarm_level, sequential_evidence
from whirlbench.analysis.onset.whitening import HABITS, UNKNOWN_LEVEL, WARM_UP_S, Design, HealthyFilter

TEN_HOURS_S = 36000.0
BASELINE_S = 600.0
SHIFTS = (0.5, 0.75, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class Delay:
    """Mean delay in frames at one size of change, its standard error, the bound, and the share never seen."""

    shift: float
    bound: float
    cusum: float
    evidence: float
    stderr: float
    never: float


def one_point(frames: int) -> Design:
    """A run that holds one operating point throughout."""
    time_s = STEP_S * np.arange(frames)[:, None]
    settle = np.exp(-time_s / np.array(HABITS[VIBRATION].settling_s))
    warm = 1.0 - np.exp(-time_s / np.array(WARM_UP_S))
    still = np.zeros(frames, int)
    return Design(still, still, np.zeros(frames), warm, settle, HABITS[VIBRATION], 1, np.array([UNKNOWN_LEVEL]))


def first_alarm_s(values: np.ndarray, healthy: HealthyFilter, level: float) -> float:
    """Time of the first alarm on white unit ``values`` ``(frames, columns)``, infinite without one."""
    time_s = STEP_S * np.arange(len(values))
    signals = (tuple(range(values.shape[1])),)
    evidence = sequential_evidence(healthy, healthy.whiten(values), time_s, signals)
    over = np.flatnonzero(evidence.nats[:, 0] > level)
    return float(evidence.time_s[over[0]]) if len(over) else np.inf


def delays(shift: float, trials: int, rng: np.random.Generator) -> Delay:
    """Delay of both rules for one size, from ``trials`` changes after ten minutes of baseline."""
    per_alarm = TEN_HOURS_S / STEP_S
    bound = least_mean_delay(per_alarm, shift**2 / 2)
    made_for_it = run_length(shift / 2, threshold_for(shift / 2, per_alarm), shift)
    frames = int(BASELINE_S / STEP_S + 6 * bound)
    healthy, level = HealthyFilter(one_point(frames)), alarm_level(TEN_HOURS_S, BLOCK * STEP_S, 1)
    found = []
    for _ in range(trials):
        begin = int(BASELINE_S / STEP_S) + int(rng.integers(BLOCK))
        values = rng.standard_normal((frames, 1))
        values[begin:] += shift
        found.append(first_alarm_s(values, healthy, level) / STEP_S - begin + 1)
    after = np.array([one for one in found if one > 0])  # an alarm by luck before the change is no detection
    late = float(np.mean(~np.isfinite(after)))
    after = np.minimum(after, frames - BASELINE_S / STEP_S)  # never seen counts as the whole length watched
    return Delay(shift, bound, made_for_it, float(after.mean()), float(after.std() / np.sqrt(len(after))), late)


def measured_interval_s(asked_s: float, hours: float, columns: int, rng: np.random.Generator) -> tuple[float, int]:
    """(mean judged seconds between alarms by luck, alarms counted) when ``asked_s`` is asked for."""
    length_s = 1800.0
    frames = int(length_s / STEP_S)
    healthy, level = HealthyFilter(one_point(frames)), alarm_level(asked_s, BLOCK * STEP_S, 1)
    alarms, watched_s = 0, 0.0
    for _ in range(int(np.ceil(hours * 3600.0 / length_s))):
        alarm_s = first_alarm_s(rng.standard_normal((frames, columns)), healthy, level)
        alarms += np.isfinite(alarm_s)
        watched_s += min(alarm_s, length_s)
    return watched_s / max(alarms, 1), int(alarms)


def main(quick: bool) -> None:
    rng = np.random.default_rng(1971)
    print("Frames of 0.25 s, one alarm by luck in 10 h")
    print("size  bound  CUSUM made for it  evidence          ratio    never")
    for shift in SHIFTS:
        one = delays(shift, 20 if quick else 150, rng)
        print(
            f"{one.shift:4.2f} {one.bound:6.1f} {one.cusum:12.1f} {one.evidence:13.1f} ± {one.stderr:4.1f} "
            f"{one.evidence / one.bound:8.2f}  {100 * one.never:5.0f} %"
        )
    print("\nasked for  columns  measured between alarms by luck")
    for asked_s, hours in ((600.0, 3.0 if quick else 12.0), (3600.0, 0.0 if quick else 60.0)):
        for columns in (1, 4):
            if hours:
                interval_s, alarms = measured_interval_s(asked_s, hours, columns, rng)
                print(f"{asked_s:7.0f} s {columns:8d}  {interval_s:8.0f} s  ({alarms} alarms)")


if __name__ == "__main__":
    main("--quick" in sys.argv)
