"""The advice as a plan: what to run, with the gains loaded, so that a verdict can be given."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.governor.advice import Advice
from whirlbench.analysis.governor.proof import Forecast, Reading, forecast
from whirlbench.analysis.speed_loop import SMALLEST, Kind, LoopModel, Step
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig, pitch_ends_deg

REQUEST_PART = 0.04  # of the speed: the size of the request step, unless slew, head-room or a limit want less
HOLD_LAGS, SHORTEST_HOLD_S = 30.0, 3.0  # closed-loop times that each hold lasts
OF_LIMIT = 0.5  # of what is left up to overspeed or to the end of the throttle that a step may use
PITCH_STEP_DEG, THROTTLE_STEP_US = 2.0, 20.0  # of the lever that does not govern
STOP_ABOVE_PCT = 95


@dataclass(frozen=True)
class ReTest:
    """Sizes of the re-test: request steps and excitation in rpm, pitch steps in degrees, seconds of each hold."""

    speed_rpm: int
    step_rpm: int
    hold_s: float
    excitation_rpm: int


def re_test(advice: Advice, rig: Rig | None = None) -> ReTest:
    """Steps small enough that neither slew, nor the pulse's range, nor half the margin to overspeed is used up."""
    room = [REQUEST_PART * advice.speed_rpm, advice.largest_linear_step_rpm, _room_rpm(advice)]
    overspeed = rig.limits.overspeed_rpm if rig is not None else None
    if overspeed is not None:
        room.append(OF_LIMIT * max(overspeed - advice.speed_rpm, 0.0))
    step = max(round(min(room)), round(1.25 * SMALLEST["request"]))  # less would not be found as a step
    hold = max(SHORTEST_HOLD_S, HOLD_LAGS * advice.closed_loop_time_s)
    return ReTest(round(advice.speed_rpm), step, round(hold, 1), max(step // 2, 1))


def _room_rpm(advice: Advice) -> float:
    """Speed change for which half of the pulse that is left on the nearer side is enough."""
    left = min(advice.law.max_us - advice.pulse_us, advice.pulse_us - advice.law.min_us)
    return OF_LIMIT * left * abs(advice.models[0].gain)


def expected(
    advice: Advice, loads: Mapping[Kind, Sequence[LoopModel]], rng: np.random.Generator, rig: Rig | None = None
) -> dict[Kind, Forecast]:
    """What the re-test will show: its request step, and its step of the other lever where ``loads`` tells of it.

    ``loads``: plausible answers of the ungoverned speed to each lever, in rpm per unit. ``rng`` starts the tachs.
    """
    test = re_test(advice, rig)
    other = _other(advice)
    changes: dict[Kind, float] = {
        "request": test.step_rpm,
        other: THROTTLE_STEP_US if other == "throttle" else PITCH_STEP_DEG,
    }
    reading = Reading(2.0 * 60.0 / advice.speed_rpm, 0.0, 0.5 * abs(advice.models[0].gain))
    found = {}
    for kind, change in changes.items():
        if kind == "request" or loads.get(kind):
            step = Step(kind, 0.0, 0.0, 0.0, change, test.hold_s, test.hold_s)
            models = loads.get(kind, ()) if kind != "request" else ()
            found[kind] = forecast(advice, step, reading, advice.speed_rpm, advice.pulse_us, rng, models)
    return found


def rig_values(advice: Advice) -> dict[str, str | float]:
    """The rig keys that load the gains, with their values: the mode of the governor belongs to them."""
    prefix = "pitch_" if advice.lever == "pitch" else ""
    return {
        "governor.mode": advice.lever,
        f"governor.{prefix}kp_us_per_rpm": float(f"{advice.kp:.5g}"),
        f"governor.{prefix}ki_us_per_rpm_s": float(f"{advice.ki:.5g}"),
    }


def rig_lines(advice: Advice) -> str:
    """The table for the rig file that loads the gains."""
    lines = [f"{key.split('.')[1]} = {json.dumps(value)}" for key, value in rig_values(advice).items()]
    return "\n".join(["[governor]", *lines]) + "\n"


def plan_text(
    advice: Advice, rig: Rig | None = None, pitch_deg: float | None = None, throttle_us: float | None = None
) -> str:
    """TOML of the re-test plan: run up, request up and down, the other lever there and back, a multisine, coast down.

    ``pitch_deg``, ``throttle_us``: where the two levers stood in the identification. The one that does not govern goes
    there and is stepped from there; None leaves its steps out. AnalysisError for a pitch governor without
    ``throttle_us``: at the safe pulse nothing turns.
    """
    test = re_test(advice, rig)
    head = [
        "# Re-test of the governor, for a rig file with these lines (tune --rig-out writes it):",
        *(f"#   {line}" for line in rig_lines(advice).splitlines()),
        "# Stay out of the plane of rotation; the first closed loop on a new stand is the one to be ready to cut.",
        'name = "re-test of the governor"',
        'governor = "rig"',
        f"stop_above_margin_pct = {STOP_ABOVE_PCT}",
    ]
    there, away = _other_lever(advice, rig, pitch_deg, throttle_us)
    steps = [_step("the governor takes the speed up", "hold", f"{there}request_rpm = {test.speed_rpm}", test.hold_s)]
    for name, speed in (("request up", test.speed_rpm + test.step_rpm), ("request down", test.speed_rpm)):
        steps.append(_step(name, "step", f"request_rpm = {speed}", test.hold_s))
    if there:
        steps.append(_step(f"{_other(advice)} away, a load", "step", away, test.hold_s))
        steps.append(_step(f"{_other(advice)} back", "step", there.rstrip(), test.hold_s))
    steps.append(
        _step("excite the loop", "multisine", f"amplitude_rpm = {test.excitation_rpm}\nlow_hz = 0.2\nhigh_hz = 4", 20.0)
    )
    steps.append('[[step]]\nkind = "coast-down"\n')
    return "\n".join(head) + "\n\n" + "\n".join(steps)


def _other(advice: Advice) -> Kind:
    return "throttle" if advice.lever == "pitch" else "pitch"


def _other_lever(
    advice: Advice, rig: Rig | None, pitch_deg: float | None, throttle_us: float | None
) -> tuple[str, str]:
    """Plan keys that bring the lever that does not govern to its place, and a step away; empty without one."""
    if advice.lever == "throttle":
        if pitch_deg is None:
            return "", ""
        greatest_deg = pitch_ends_deg(rig)[1] if rig is not None else math.inf
        away = pitch_deg + PITCH_STEP_DEG * (1 if pitch_deg + PITCH_STEP_DEG <= greatest_deg else -1)
        return f"pitch_deg = {pitch_deg:.2f}\n", f"pitch_deg = {away:.2f}"
    if throttle_us is None:
        raise AnalysisError("the throttle of the identification was not recorded: a pitch governor needs one to turn")
    greatest_us = rig.throttle.max_us if rig is not None else math.inf
    away = throttle_us + THROTTLE_STEP_US * (1 if throttle_us + THROTTLE_STEP_US <= greatest_us else -1)
    return f"throttle_us = {throttle_us:.0f}\n", f"throttle_us = {away:.0f}"


def _step(name: str, kind: str, target: str, duration_s: float) -> str:
    return f'[[step]]\nname = "{name}"\nkind = "{kind}"\n{target}\nduration_s = {duration_s:g}\n'
