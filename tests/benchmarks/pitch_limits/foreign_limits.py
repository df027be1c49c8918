"""Pitch limits from logs and propellers that the analysis does not know: how often the safe pitch is not safe.

    python tests/benchmarks/pitch_limits/foreign_limits.py [runs per kind] [part of a kind's name]

Each run has another propeller, other limits and another noise; three speeds are judged. Columns: cases, share of those
whose 95 % safe pitch lies above the true limit (or that name no limit below 19 degrees), share of true limits within
the two-sided band of twice the safe distance, mean distance of the safe pitch below the truth, worst excess, and what
was refused. Measured with 100 runs, 238 cases each: 50 Hz 3.4 % unsafe, 96.6 % covered, 0.14 deg below the truth, worst
excess 0.08 deg; 10 Hz 4.2 %, 95.4 %, 0.15 deg, 0.10 deg; play of 0.4 deg 0 %, 100 %, 0.86 deg, none; blanks 3.8 %,
92.4 %, 0.16 deg, 0.23 deg; 1 Hz 4.2 %, 97.1 %, 0.11 deg, 0.06 deg; all these before the holds of a run told their
errors together. Gusts of 4 %, 240 runs, 572 cases, since then: 2.6 %, 95.8 %, 0.31 deg, 0.29 deg (before: 5.4 %,
92.1 %, 0.30 deg, 0.49 deg). Twelve holds had four runs: their hundred are to be made.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "foreign"))

from limit_runs import Logging, Propeller, held_run, true_limit_deg

from whirlbench.analysis.pitch_limits import limits_study
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig

SPEEDS_RPM = (4300.0, 4700.0, 5100.0)
KINDS = {
    "50 Hz": Logging(),
    "10 Hz": Logging(10.0),
    "1 Hz, holds of 20 s": Logging(1.0, hold_s=20.0),
    "blanks and pauses, 20 Hz": Logging(20.0, blank=0.15, pauses=12),
    "play of 0.4 deg": Logging(20.0, play_deg=0.4),
    "gusts of 4 %": Logging(20.0, gust=0.04),
    "twelve holds": Logging(20.0, pitches_deg=(5.0, 8.0, 11.0, 14.0, 17.0, 20.0)),
}


@dataclass(frozen=True)
class Case:
    """One speed of one run: best and safe pitch, the true limit, or why it was refused."""

    best_deg: float | None = None
    safe_deg: float | None = None
    true_deg: float | None = None
    refusal: str = ""


def rig_for(propeller: Propeller, play_deg: float, rng: np.random.Generator) -> tuple[Rig, float, float]:
    """A rig whose limits bind at a pitch of the measured range, and those limits (N, W)."""
    pitch = np.array(rng.uniform(8.0, 18.0))
    thrust_n = float(propeller.thrust_n(pitch, 4700.0)) * rng.uniform(1.0, 1.15)
    power_w = float(propeller.power_w(pitch, 4700.0)) * rng.uniform(1.0, 1.15)
    text = (
        f"[propeller]\nblades = 4\ndiameter_m = 0.56\n[air]\ndensity_kg_m3 = 1.2\n[pitch]\nstderr_deg = {play_deg}\n"
        f"[limits]\nthrust_n = {thrust_n:.3f}\npower_w = {power_w:.2f}\n"
    )
    return parse_rig(text), thrust_n, power_w


def cases_of(logging: Logging, seed: int) -> list[Case]:
    """What is said and what is so at every speed of one run."""
    rng = np.random.default_rng(seed)
    propeller = Propeller.varied(rng)
    rig, thrust_n, power_w = rig_for(propeller, logging.play_deg, rng)
    try:
        rows = limits_study([held_run(propeller, logging, rng)], rig, SPEEDS_RPM).limits.limits
    except AnalysisError as error:
        return [Case(refusal=str(error).partition(":")[0])]
    return [
        Case(row.max_pitch_deg, row.max_pitch_deg_95, true_limit_deg(propeller, row.rpm, thrust_n, power_w))
        for row in rows
    ]


def judge(cases: list[Case]) -> dict[str, float]:
    """Share of unsafe statements, coverage of the two-sided band, mean distance and worst excess in degrees."""
    known = [one for one in cases if one.safe_deg is not None and one.true_deg is not None and one.true_deg > 4.0]
    silent = [one for one in cases if one.safe_deg is None and one.true_deg is not None and one.true_deg < 19.0]
    below = np.array([one.true_deg - one.safe_deg for one in known])
    both = [one for one in known if one.best_deg is not None and one.best_deg < 20.0]
    inside = [one.safe_deg - 0.02 <= one.true_deg <= 2 * one.best_deg - one.safe_deg + 0.02 for one in both]
    return {
        "cases": len(known) + len(silent),
        "unsafe_pct": 100.0 * (np.sum(below < 0.0) + len(silent)) / max(len(known) + len(silent), 1),
        "covered_pct": 100.0 * float(np.mean(inside)),
        "distance_deg": float(np.mean(below)),
        "worst_deg": float(max(-below.min(), 0.0)),
    }


def main() -> None:
    """Prints the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    part = sys.argv[2] if len(sys.argv) > 2 else ""
    for name, logging in KINDS.items():
        if part in name:
            cases = [case for seed in range(count) for case in cases_of(logging, seed)]
            refused = dict(Counter(one.refusal for one in cases if one.refusal))
            figures = "  ".join(f"{key} {value:.4g}" for key, value in judge(cases).items())
            print(f"{name:28s} {figures}  refused {refused}", flush=True)


if __name__ == "__main__":
    main()
