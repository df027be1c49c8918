"""Throttle steps of foreign drives and loggers: whether the stated 95 % band holds the truth, or the step is refused.

    python tests/benchmarks/speed_loop/foreign_coverage.py [runs per kind] [part of a kind's name]

Each run has another drive, another place of the samples between the moves, another noise. A run counts as *covered*,
*missed* or *refused*, by the pooled model of its steps; the columns give gain, lag (sum of lags) and dead time.

Coverage in % (gain, lag, dead time) before the speed channel was inferred (12 runs a kind), and last measured (10 to 16
runs a kind, which tell a coverage to 15 points; a hundred where it says so, which tell it to 5):

    bare, 10 Hz                       92  92   0        100  97 100 of a hundred
    bare, 50 Hz                      100 100  25        100 100 100
    bare, 100 Hz                      60  60  40, 2 refused "never settled"     95  95 100 of a hundred
    bare, 1000 Hz                    100 100  67        100 100  90
    averaged, 10 Hz                  100  92  83        100 100 100
    averaged, 50 Hz                  100 100  83        100 100 100
    held, 100 Hz                     100  92  17        100  92 100
    held, 500 Hz                     100 100   8        100 100 100
    held, rounded to 5 rpm, 200 Hz    58  50  50        100  99 100 of a hundred
    filtered 0.1 s, 100 Hz            86   0  14        all refused by name
    filtered 0.3 s, 50 Hz             92   0   0        all refused by name
    rounded to 10 rpm, 50 Hz         100 100  17        100 100 100
    gusts, edges                     100 100 100         95  93 100 of a hundred
    gusts, bare 100 Hz                55  73  55         96  92 100 of a hundred
    gusts, bare 10 Hz                100 100  92        100 100 100
    gusts of 3 s, held 500 Hz        100 100 100        100 100  92
    controller ramps 0.2 s            57  14   0         92 100 100
    controller ramps 0.2 s, edges     17   0   0         92 100 100
    ceiling at 60 %                    0  86  86        11 of 12 refused by name, 1 used and wrong
    ceiling at 60 %, edges             0 100 100        all refused by name (3 runs)
    ceiling at 90 %, 10 Hz             0  92  92         91  97 100 of 33, 67 of a hundred refused by name
                                                         (0 94 100 of 50 before steps told it together)

Ten runs each since steps tell a ceiling together, covered of used: gusts, bare 100 Hz 10 8 10 of 10; gusts, edges, held
100 Hz, bare 50 Hz and averaged 10 Hz 10 10 10 of 10; ramps 9 10 10 of 10; gusts, bare 10 Hz 5 5 5 of 5, 5 refused.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "foreign"))

from tune_runs import Logger, Truth, stepped_run

from whirlbench.analysis.speed_loop import Pooled, identify
from whirlbench.errors import AnalysisError

QUANTILE_95 = 1.96
GUSTS = Truth(gust_rpm=15.0)
KINDS: dict[str, tuple[Truth, Logger]] = {
    "bare, 10 Hz": (Truth(), Logger(10.0)),
    "bare, 50 Hz": (Truth(), Logger(50.0)),
    "bare, 100 Hz": (Truth(), Logger(100.0)),
    "bare, 1000 Hz": (Truth(), Logger(1000.0, noise_rpm=10.0)),
    "averaged, 10 Hz": (Truth(), Logger(10.0, "averaged")),
    "averaged, 50 Hz": (Truth(), Logger(50.0, "averaged")),
    "held, 100 Hz": (Truth(), Logger(100.0, "held")),
    "held, 500 Hz": (Truth(), Logger(500.0, "held")),
    "held, rounded to 5 rpm, 200 Hz": (Truth(), Logger(200.0, "held", rounding_rpm=5.0)),
    "filtered 0.1 s, 100 Hz": (Truth(), Logger(100.0, "filtered", filter_s=0.1)),
    "filtered 0.3 s, 50 Hz": (Truth(), Logger(50.0, "filtered", filter_s=0.3)),
    "rounded to 10 rpm, 50 Hz": (Truth(), Logger(50.0, rounding_rpm=10.0)),
    "gusts, edges": (GUSTS, Logger(500.0, "edges")),
    "gusts, bare 100 Hz": (GUSTS, Logger(100.0)),
    "gusts, bare 10 Hz": (GUSTS, Logger(10.0)),
    "gusts of 0.3 s, bare 1000 Hz": (replace(GUSTS, gust_s=0.3), Logger(1000.0)),
    "gusts of 3 s, held 500 Hz": (replace(GUSTS, gust_s=3.0), Logger(500.0, "held")),
    "controller ramps 0.2 s": (Truth(ramp_s=0.2), Logger(100.0)),
    "controller ramps 0.2 s, edges": (Truth(ramp_s=0.2), Logger(500.0, "edges")),
    "ceiling at 60 %": (Truth(ceiling=0.6), Logger(100.0)),
    "ceiling at 60 %, edges": (Truth(ceiling=0.6), Logger(500.0, "edges")),
    "ceiling at 90 %, 10 Hz": (Truth(ceiling=0.9), Logger(10.0)),
}


@dataclass(frozen=True)
class Outcome:
    """Runs used and refused, coverage and median stated error of gain, lag and dead time, and reasons of refusal."""

    used: int
    refused: int
    coverage: np.ndarray
    error: np.ndarray
    bias: np.ndarray
    reasons: tuple[str, ...]


def outcome(kind: str, runs: int, seed: int = 1, steps: int = 4) -> Outcome:
    """``runs`` runs of ``kind``."""
    truth, logger = KINDS[kind]
    off, stated, reasons = [], [], []
    for number in range(runs):
        rng = np.random.default_rng([seed, number])
        drive = replace(
            truth, gain=rng.uniform(4.0, 9.0), lag_s=rng.uniform(0.2, 0.5), dead_s=rng.uniform(0.03, 0.12),
            base_rpm=rng.uniform(2500.0, 4500.0),
        )  # fmt: skip
        try:
            pooled = identify(stepped_run(drive, logger, rng, steps)).pooled[0]
        except AnalysisError as error:
            reasons.append(str(error))
            continue
        found, error_of = figures(pooled)
        off.append(found - np.array([drive.gain, drive.lag_s + drive.second_lag_s, drive.dead_s]))
        stated.append(error_of)
    if not off:
        nothing = np.full(3, np.nan)
        return Outcome(0, runs, nothing, nothing, nothing, tuple(reasons))
    inside = np.abs(off) <= QUANTILE_95 * np.array(stated)
    return Outcome(
        len(off), len(reasons), inside.mean(axis=0), np.median(stated, axis=0), np.mean(off, axis=0), tuple(reasons)
    )


def figures(pooled: Pooled) -> tuple[np.ndarray, np.ndarray]:
    """Gain, sum of lags, dead time and their standard errors."""
    model, covariance = pooled.model, pooled.covariance()
    if model.form == "first_order":
        turn = np.eye(3)
    else:
        z, w = model.damping_ratio, model.natural_frequency_rad_s
        turn = np.array([[1.0, 0, 0, 0], [0, 2.0 / w, -2.0 * z / w**2, 0], [0, 0, 0, 1.0]])
    lag = model.time_constant_s if model.form == "first_order" else 2.0 * model.damping_ratio / w
    error = np.sqrt(np.diag(turn @ covariance @ turn.T))
    return np.array([model.gain, lag, model.dead_time_s]), error


def main(runs: int, part: str) -> None:
    print(f"{'':34s}  used refused   coverage %  gain  lag  dead    median stated error (gain, lag s, dead s)   bias")
    for kind in KINDS:
        if part not in kind:
            continue
        found = outcome(kind, runs)
        cover = "  ".join(f"{100 * value:4.0f}" for value in found.coverage)
        error = "  ".join(f"{value:.4f}" for value in found.error)
        bias = "  ".join(f"{value:+.4f}" for value in found.bias)
        print(f"{kind:34s} {found.used:5d} {found.refused:6d}               {cover}       {error}   {bias}", flush=True)
        if found.reasons:
            print(f"      refused: {found.reasons[0][:150]}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100, sys.argv[2] if len(sys.argv) > 2 else "")
