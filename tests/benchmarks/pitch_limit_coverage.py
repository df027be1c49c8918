"""How safe is the 95 % safe pitch? Random simulated stands, 20 holds of 8 s each, limits against the stands' truth.

    python tests/benchmarks/pitch_limit_coverage.py [number of stands]

The truth is that of the stand without gusts, at the open voltage of the middle of the holds. Wanted: the safe pitch
beyond the true limit in at most 5 % of cases, and on average within half a degree of it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulator" / "stand"))

import steady_truth as truth

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits import PitchLimits, pitch_limits
from whirlbench.analysis.propeller import find_holds
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings

SPEEDS_RPM = (4800.0, 5100.0, 5400.0)
THROTTLES_US = (1550.0, 1780.0)
PITCHES_DEG = (4.0, 6.0, 8.0, 10.0, 12.0, 13.5, 15.0, 16.5, 18.0, 20.0)


@dataclass(frozen=True)
class Case:
    """One limit of one stand: what was said, and what is so, in degrees."""

    rpm: float
    best_deg: float | None
    safe_deg: float | None
    true_deg: float | None
    binding: str | None


def hold_schedule(rng: np.random.Generator) -> Schedule:
    """Twenty holds of 8 s settled time each, in an order that does not march pitch and discharge together."""
    points = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in THROTTLES_US for deg in PITCHES_DEG]
    order = rng.permutation(len(points))
    return Schedule.holds([points[place] for place in order], each_s=10.0, ramp_s=1.0)


def true_limit_deg(settings: PlantSettings, rig: Rig, rpm: float, open_voltage_v: float) -> float | None:
    """Pitch at which the first of the rig's limits is met on the true stand; None when none is below 22 degrees."""
    pitch = np.linspace(4.0, 22.0, 1801)
    state = truth.steady_at_rpm(settings, np.full_like(pitch, rpm), pitch, open_voltage_v)
    limits = rig.limits
    over = state.thrust_n > (limits.thrust_n or np.inf)
    over |= np.nan_to_num(state.power_w, nan=np.inf) > (limits.power_w or np.inf)
    over |= np.nan_to_num(state.current_a, nan=np.inf) > (limits.current_a or np.inf)
    over |= np.nan_to_num(state.voltage_v, nan=0.0) < (limits.minimum_voltage_v or 0.0)
    over |= state.torque_n_m / rig.motor.gear_ratio > (limits.motor_torque_n_m or np.inf)
    over |= np.nan_to_num(100 * state.duty, nan=np.inf) > 100.0 - (limits.throttle_headroom_pct or 0.0)
    return float(pitch[np.argmax(over)]) if over.any() else None


def cases_of_stand(seed: int, rig: Rig) -> list[Case]:
    """Limits and truth of one random stand at each of the speeds."""
    rng = np.random.default_rng(seed)
    settings = PlantSettings.from_rig(rig).varied(rng, 0.1)
    run = simulate_run(settings, hold_schedule(rng), rng, vibration_rate_hz=0)
    told = measured_limits(run, rig)
    volts = told.pack.open_voltage_v if told.pack else settings.open_voltage_v
    return [
        Case(
            row.rpm, row.max_pitch_deg, row.max_pitch_deg_95, true_limit_deg(settings, rig, row.rpm, volts), row.binding
        )
        for row in told.limits
    ]


def measured_limits(run, rig: Rig) -> PitchLimits:
    """What the analysis says of one run."""
    return pitch_limits(find_holds(run).holds, rig, air_density_kg_m3(rig, "limits"), SPEEDS_RPM)


def judge(cases: list[Case]) -> dict[str, float]:
    """Share of unsafe statements and the mean distance of the safe pitch below the truth."""
    known = [case for case in cases if case.safe_deg is not None and case.true_deg is not None]
    silent = [case for case in cases if case.safe_deg is None and case.true_deg is not None and case.true_deg < 19.0]
    distance = np.array([case.true_deg - case.safe_deg for case in known])
    return {
        "cases": len(cases),
        "unsafe_pct": 100.0 * (np.sum(distance < 0) + len(silent)) / max(len(known) + len(silent), 1),
        "mean_distance_deg": float(np.mean(distance)),
        "worst_excess_deg": float(max(-distance.min(), 0.0)),
    }


def main() -> None:
    stands = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rig = parse_rig(example_rig_text())
    cases: list[Case] = []
    for seed in range(stands):
        cases += cases_of_stand(seed, rig)
        if seed % 20 == 19:
            print(seed + 1, judge(cases), flush=True)
    by_name: dict[str, list[Case]] = {}
    for case in cases:
        by_name.setdefault(case.binding or "none", []).append(case)
    for name, group in by_name.items():
        if name != "none":
            print(f"{name:24s}", judge(group))


if __name__ == "__main__":
    main()
