"""The whole course of a plan before it is run: set-points against time, as the plan itself will give them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.session.plan.controls import Controls, SetPoints
from whirlbench.session.plan.feasibility import check_plan, governor_mode
from whirlbench.session.plan.plan_run import PlanRun, Situation, Wish
from whirlbench.session.plan.steps import CoastDown, Inspect, Plan

TICK_S = 0.1


@dataclass(frozen=True)
class CourseStep:
    """One step: when it begins and ends, and the set-points on its way, arrays ``(n,)``; ramps are part of it.

    ``request_rpm`` is NaN where the throttle has the word, ``pitch_deg`` where no pitch is known. ``stops``: it goes
    to rest, and how long that takes is not part of the times.
    """

    number: int
    kind: str
    name: str
    note: str
    from_s: float
    to_s: float
    throttle_us: np.ndarray
    request_rpm: np.ndarray
    pitch_deg: np.ndarray
    stops: bool


def course(plan: Plan, rig: Rig) -> tuple[CourseStep, ...]:
    """Every step of ``plan`` in order, run through without a stand; PlanError or RigError where they do not fit."""
    check_plan(plan, rig)
    controls = Controls(rig, governor_mode(plan, rig))
    run = PlanRun(plan, controls, SetPoints(rig.throttle.safe_us, controls.first_servo_us()))
    rows: dict[int, list[tuple[float, float, float, float]]] = {}
    turn, wish = 0, Wish.NONE
    while wish is not Wish.END:
        now_s = turn * TICK_S
        waits = isinstance(run.step, (CoastDown, Inspect))  # rest comes at once, but not before its step was seen
        wish = run.advance(now_s, Situation(at_rest=waits, locked=waits, armed=waits))
        if wish is Wish.WORD:
            run.told()
        if run.step is not None:
            rows.setdefault(run.number, []).append((now_s, *_values(run.set_points, controls)))
        turn += 1
    ends = [*(rows[number][0][0] for number in sorted(rows)[1:]), (turn - 1) * TICK_S]
    return tuple(_step(plan, number, rows[number], end_s) for number, end_s in zip(sorted(rows), ends, strict=True))


def _values(points: SetPoints, controls: Controls) -> tuple[float, float, float]:
    """Throttle pulse, request and blade angle that these set-points ask for."""
    has_pitch = controls.rig.pitch.table is not None and points.servo_us > 0.0 and controls.governor_mode != "pitch"
    pitch_deg = controls.pitch_deg(points.servo_us) if has_pitch else float("nan")
    return points.throttle_us, points.request_rpm or float("nan"), pitch_deg


def _step(plan: Plan, number: int, rows: list[tuple[float, float, float, float]], end_s: float) -> CourseStep:
    step, table = plan.steps[number - 1], np.array(rows)
    stops = isinstance(step, (CoastDown, Inspect))
    note = step.note if isinstance(step, Inspect) else ""
    throttle_us, request_rpm, pitch_deg = table[:, 1:].T
    begin_s = float(table[0, 0])
    return CourseStep(
        number, step.kind, step.name, note, begin_s, end_s, throttle_us, request_rpm, pitch_deg, stops=stops
    )
