"""Healthy and damaged random spins through `find_onset`: false onsets, missed ones, error, coverage of the interval.

    python tests/benchmarks/onset_campaign.py [RUNS_OF_EACH] [FIRST_SEED]

Ramps, slow ramps, holds, pitch moves, resonances crossed, warm-up, a sagging pack, gusts; every stand is another one. A
growth takes 20 s: a root crack (to 90 g mm and seven times the 2P), a weight that works loose (40 g mm), a pitch link
that wears (9 degrees of play: more than half of the thrust is gone).

The size rule: these final sizes are the same in every run, and the growth ends at least 2 s before the throttle closes.
No run is left out because its damage would be hard to see: growth that falls into ramps and short holds counts, too.

Aims: false onset in at most 1 % of healthy runs, missed in at most 2 % of damaged ones, median error at most 1 s, truth
inside the interval in 90 to 99 %. An onset dated by an alarm that came before the fault began counts as an error of its
size, and is counted as "early".
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulator"))

from random_spins import random_spin

from whirlbench.analysis.onset import find_onset
from whirlbench.rig.toml import example_rig_text, parse_rig

RIG = parse_rig(example_rig_text())


@dataclass(frozen=True)
class Outcome:
    """What came of one damaged spin; NaN where no onset was found."""

    fault: str
    error_s: float
    covered: bool
    width_s: float
    delay_s: float


def healthy_alarm(seed: int) -> str | None:
    """What was wrongly found in one healthy spin."""
    report = find_onset(random_spin(np.random.default_rng([seed, 0]), damaged=False).run, RIG)
    if report.failure:
        return f"failure {report.failure.kind} at {report.failure.at_s:.1f} s"
    return f"{report.onset.signal} at {report.onset.at_s:.1f} s" if report.onset else None


def damaged_outcome(seed: int) -> Outcome:
    """What came of one damaged spin."""
    spin = random_spin(np.random.default_rng([seed, 1]), damaged=True)
    assert spin.fault is not None
    onset, name, start_s = find_onset(spin.run, RIG).onset, type(spin.fault).__name__, spin.fault.start_s
    if onset is None:
        return Outcome(name, np.nan, False, np.nan, np.nan)
    return Outcome(
        name,
        onset.at_s - start_s,
        onset.from_s <= start_s <= onset.to_s,
        onset.to_s - onset.from_s,
        onset.caution_s - start_s,
    )


def summary(name: str, outcomes: list[Outcome]) -> str:
    """One line of figures."""
    found = [one for one in outcomes if np.isfinite(one.error_s)]
    if not found:
        return f"{name:16} {len(outcomes):4d} runs, none found"
    error = np.abs([one.error_s for one in found])
    early = sum(one.delay_s < 0 for one in found)
    covered = 100 * np.mean([one.covered for one in found])
    width, delay = (np.median([getattr(one, item) for one in found]) for item in ("width_s", "delay_s"))
    return (
        f"{name:16} {len(outcomes):4d} runs, missed {len(outcomes) - len(found):3d}, early {early:2d}, "
        f"median error {np.median(error):5.2f} s, 90 % below {np.quantile(error, 0.9):5.1f} s, "
        f"covered {covered:5.1f} %, width {width:5.1f} s, caution after {delay:5.1f} s"
    )


def main(count: int, first: int) -> None:
    alarms = [(seed, healthy_alarm(seed)) for seed in range(first, first + count)]
    false = [(seed, what) for seed, what in alarms if what]
    print(f"healthy {count} runs, false onset or failure in {len(false)}: {false}")
    outcomes = [damaged_outcome(seed) for seed in range(first, first + count)]
    print(summary("all", outcomes))
    for name in sorted({one.fault for one in outcomes}):
        print(summary(name, [one for one in outcomes if one.fault == name]))


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[1:]]
    main(*(numbers + [100, 0][len(numbers) :]))
