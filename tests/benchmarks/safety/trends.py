"""Trends on healthy hours, and their lead on failures: `python tests/benchmarks/safety/trends.py [--hours H]`.

Healthy: random stands, every other one governed, gusts, warm-up, changes of throttle and blade angle, each run from a
cold start on a pack that lasts. The largest finding of every trend is printed beside its limit. Failures: the demo
recordings, and the same faults on random stands.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from whirlbench.recording import files
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.host_rules import trend_rules
from whirlbench.samples import Run
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import BladeLoss, Fault, LoosePitchLink, PlantSettings, RootCrack

RIG = parse_rig(example_rig_text())
GOVERNED = parse_rig(example_rig_text().replace("governs = false", "governs = true"))
DEMOS = Path(__file__).parents[3] / "recordings"
RUN_S = 300.0


def healthy_stand(rng: np.random.Generator, rig: Rig = RIG) -> PlantSettings:
    """A random stand on a pack that lasts the run out."""
    return replace(PlantSettings.from_rig(rig).varied(rng), capacity_ah=40.0)


def healthy_schedule(rng: np.random.Generator, duration_s: float, governed: bool) -> Schedule:
    """Holds of 15 to 40 s at another throttle or request, blade angle, or both; some points are met again."""
    points, at_s = [], 2.0
    name, low, high = ("request_rpm", 2200.0, 4600.0) if governed else ("throttle_us", 1300.0, 1600.0)
    levers, pitches = rng.uniform(low, high, 4), rng.uniform(4.0, 14.0, 3)
    while at_s < duration_s:
        pitch = float(rng.choice(pitches)) if rng.random() < 0.5 or not points else None
        points.append(SetPoint(at_s, pitch_deg=pitch, ramp_s=2.0, **{name: float(rng.choice(levers))}))
        at_s += float(rng.uniform(15.0, 40.0))
    return Schedule(tuple(points), duration_s)


def healthy_run(seed: int, duration_s: float = RUN_S, governed: bool = False) -> Run:
    """One healthy run of a random stand; ``governed``: its speed controller holds the speed."""
    rng = np.random.default_rng(seed)
    settings = healthy_stand(rng, GOVERNED if governed else RIG)
    schedule = healthy_schedule(rng, duration_s, governed)
    return simulate_run(settings, schedule, rng, (), 100.0, 1600.0, ("ay_g", "az_g"))


class Watched:
    """A trend whose findings are kept."""

    def __init__(self, rule) -> None:  # type: ignore[no-untyped-def]
        self.rule, self.name, self.values = rule, rule.name, []
        take = rule._take
        rule._take = lambda at_s, value: self.values.append((at_s, value)) or take(at_s, value)

    def feed(self, batch):  # type: ignore[no-untyped-def]
        self.rule.feed(batch)

    def reset(self) -> None:
        self.rule.reset()


def findings(run: Run) -> dict[str, tuple[float, float, float]]:
    """Largest finding of each trend, when, and the seconds judged."""
    watched = [Watched(rule) for rule in trend_rules(RIG)]
    back_test(run, watched)
    found = {}
    for one in watched:
        values = np.array(one.values).reshape(-1, 2)
        good = values[np.isfinite(values[:, 1])]
        best = good[good[:, 1].argmax()] if len(good) else (np.nan, np.nan)
        found[one.name] = (float(best[1]), float(best[0]), len(good) / 2)
    return found


def healthy_hours(hours: float, first_seed: int) -> None:
    """The largest findings of healthy running."""
    most: dict[str, list[float]] = {}
    cautions = 0
    for seed in range(first_seed, first_seed + round(hours * 3600.0 / RUN_S)):
        run = healthy_run(seed, governed=seed % 2 == 0)
        for name, (value, at_s, judged_s) in findings(run).items():
            most.setdefault(name, []).append(value)
            if value > getattr(RIG.limits, name):
                cautions += 1
                print(f"  seed {seed}: {name} {value:.1f} at {at_s:.1f} s of {judged_s:.0f} s judged")
        sys.stdout.flush()
    print(f"{hours:g} h healthy, {cautions} findings beyond a limit")
    for name, values in most.items():
        top = np.sort(values)[::-1][:3]
        print(f"  {name:20} limit {getattr(RIG.limits, name):5.1f}  largest of each run: {np.round(top, 1)}")


def lead(name: str, run: Run, failed_s: float | None = None) -> None:
    """First caution of each trend, first trip, and what lies between."""
    cautions, trips = back_test(run, trend_rules(RIG)), back_test(run, rules_for(run, RIG))
    first = f"{cautions[0].rule} at {cautions[0].at_s:.1f} s" if cautions else "none"
    trip = f"{trips[0].rule} at {trips[0].at_s:.2f} s" if trips else "none"
    gap = f"{trips[0].at_s - cautions[0].at_s:.1f} s" if cautions and trips else "-"
    print(f"  {name:24} caution {first:32} trip {trip:30} lead {gap}   all: "
          + ", ".join(f"{one.rule} {one.at_s:.1f}" for one in cautions))  # fmt: skip


def failures() -> None:
    """The demo recordings, then random stands."""
    for name in ("proof_spin", "root_crack", "loose_pitch_link", "governor_hunting", "lost_tach", "unbalance_as_found"):
        lead(name, files.open_recording(DEMOS / f"{name}.h5").run())
    faults: dict[str, Fault] = {
        "crack": RootCrack(30.0, 25.0), "link": LoosePitchLink(30.0, 20.0), "sudden loss": BladeLoss(30.0)
    }  # fmt: skip
    for seed in range(3):
        for name, fault in faults.items():
            rng = np.random.default_rng(900 + seed)
            schedule = Schedule((SetPoint(2.0, throttle_us=1500.0, pitch_deg=8.0, ramp_s=2.0),), 60.0)
            settings = healthy_stand(rng)
            lead(
                f"{name}, stand {seed}",
                simulate_run(settings, schedule, rng, (fault,), 100.0, 1600.0, ("ay_g", "az_g")),
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--first-seed", type=int, default=1)
    chosen = parser.parse_args()
    failures()
    healthy_hours(chosen.hours, chosen.first_seed)
