"""Identify, advise, load the gains, re-test: a hundred random stands, each of them another.

    python tests/benchmarks/speed_loop/governor_campaign.py [stands]

Asked for: overshoot and recovery of the re-test within the predicted band on at least 95 % of the stands, and
none unstable.

Last measured, 100 stands: every figure of every step in its band on 100, none unstable; median width of the bands
13 points of overshoot, 0.50 s of settling, 16 rpm of deviation, 0.25 s of recovery (open upwards on 4 % of steps).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from whirlbench.analysis.governor import Advice, Verdict, advise, prove
from whirlbench.analysis.governor.advice import plausible_models
from whirlbench.analysis.speed_loop import SpeedLoop, identify
from whirlbench.samples import Run
from whirlbench.simulator.runs import simulate_run
from whirlbench.simulator.stand import PlantSettings, Schedule, SetPoint

STEP_US, PITCH_STEP_DEG, HOLD_S = 40.0, 4.0, 4.0


@dataclass(frozen=True)
class Case:
    """One stand through the whole job."""

    number: int
    loop: SpeedLoop
    advice: Advice
    verdicts: tuple[Verdict, ...]
    unstable: bool


def step_test(base_us: float, pitch_deg: float) -> Schedule:
    """Open loop: six throttle steps and six pitch steps, up and down, about one point."""
    points = [SetPoint(1.0, throttle_us=base_us, pitch_deg=pitch_deg, ramp_s=3.0)]
    start = 8.0
    for number in range(6):
        points.append(SetPoint(start + HOLD_S * number, throttle_us=base_us + STEP_US * (number % 2 == 0)))
    start += 6 * HOLD_S
    for number in range(6):
        points.append(SetPoint(start + HOLD_S * number, pitch_deg=pitch_deg + PITCH_STEP_DEG * (number % 2 == 0)))
    return Schedule(tuple(points), start + 6 * HOLD_S)


def re_test(base_us: float, pitch_deg: float, speed_rpm: float, step_rpm: float) -> Schedule:
    """Governed: the request up and down, then a pitch step there and back."""
    return Schedule(
        (
            SetPoint(1.0, throttle_us=base_us, pitch_deg=pitch_deg, ramp_s=3.0),
            SetPoint(7.0, request_rpm=speed_rpm),
            SetPoint(11.0, request_rpm=speed_rpm + step_rpm),
            SetPoint(15.0, request_rpm=speed_rpm),
            SetPoint(19.0, pitch_deg=pitch_deg + PITCH_STEP_DEG),
            SetPoint(23.0, pitch_deg=pitch_deg),
        ),
        27.0,
    )


def run_case(number: int) -> Case:
    """The stand that belongs to ``number``, from open-loop steps to the verdict on its gains."""
    rng = np.random.default_rng([4, number])
    stand = PlantSettings.random(rng)
    base_us, pitch_deg = float(rng.uniform(1350.0, 1600.0)), float(rng.uniform(9.0, 13.0))
    base_us = round(base_us)
    loop = identify(simulate_run(stand, step_test(base_us, pitch_deg), rng, vibration_rate_hz=0), stand.rig)
    advice = advise(loop, stand.rig)
    assert advice is not None
    governor = msgspec.structs.replace(
        stand.rig.governor, mode="throttle", kp_us_per_rpm=advice.kp, ki_us_per_rpm_s=advice.ki
    )
    governed = replace(stand, rig=msgspec.structs.replace(stand.rig, governor=governor))
    speed = round(advice.speed_rpm)
    step_rpm = round(0.05 * speed)
    run = simulate_run(governed, re_test(base_us, pitch_deg, speed, step_rpm), rng, vibration_rate_hz=0)
    verdicts = prove(run, advice, rng, pitch_loads(loop), governed.rig)
    return Case(number, loop, advice, verdicts, is_unstable(run, speed))


def pitch_loads(loop: SpeedLoop) -> tuple:
    """Plausible answers of the ungoverned speed to the pitch lever."""
    pooled = next((one for one in loop.pooled if one.kind == "pitch"), None)
    if pooled is None:
        return ()
    return plausible_models(pooled, [result for result in loop.usable() if result.step.kind == "pitch"])


def is_unstable(run: Run, speed_rpm: float) -> bool:
    """Whether the governed speed swings or runs away in any hold: more than 2 % of the speed in its last second."""
    rpm, time = run.slow.channel("rpm"), run.slow.time_s
    ends = [11.0, 15.0, 19.0, 23.0, 27.0]
    return any(float(np.ptp(rpm[(time > end - 1.0) & (time < end)])) > 0.02 * speed_rpm for end in ends)


def main(stands: int) -> None:
    cases = [run_case(number) for number in range(stands)]
    print("stand  speed rpm  closed loop s  gain margin  phase margin  worst sensitivity  steps as predicted")
    for case in cases:
        advice, agreeing = case.advice, sum(verdict.agrees for verdict in case.verdicts)
        print(
            f"{case.number:5d} {advice.speed_rpm:10.0f} {advice.closed_loop_time_s:14.3f} "
            f"{advice.nominal.gain_margin:12.2f} {advice.nominal.phase_margin_deg:13.1f} "
            f"{advice.worst.max_sensitivity:18.2f} {agreeing:10d} of {len(case.verdicts)}"
            + ("  UNSTABLE" if case.unstable else "")
        )
        for verdict in case.verdicts:
            if not verdict.agrees:
                print("      ", verdict.line)
    print_shares(cases)


def print_shares(cases: list[Case]) -> None:
    """Part of the stands on which every band of a figure held what was measured, and how wide the bands were."""
    for name in ("overshoot_pct", "settling_5pct_s", "deviation_rpm", "recovery_s"):
        pairs = [
            [(v.measured[name], v.forecast.figures[name]) for v in case.verdicts if name in v.measured]
            for case in cases
        ]
        held = sum(all(band.holds(value) for value, band in one) for one in pairs)
        bands = [band for one in pairs for _, band in one]
        width = np.median([band.high - band.low for band in bands])
        endless = np.mean([np.isinf(band.high) for band in bands])
        print(f"{name:16s} in its band on {held} of {len(cases)} stands; median width {width:.3g}, open {endless:.0%}")
    both = sum(all(v.agrees for v in case.verdicts) for case in cases)
    print(f"all figures on {both} of {len(cases)} stands; unstable: {sum(case.unstable for case in cases)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
