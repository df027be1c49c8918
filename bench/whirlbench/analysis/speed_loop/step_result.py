"""One step of a run: the window the fit sees, the models tried on it, its figures, and why it may not be used."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import Step
from whirlbench.analysis.speed_loop.model_choice import Choice, choose_form
from whirlbench.analysis.speed_loop.model_fit import Window, fit_model
from whirlbench.analysis.speed_loop.models import LoopModel, sampled_answer
from whirlbench.analysis.speed_loop.noise import Noise, plain_noise
from whirlbench.analysis.speed_loop.record import SpeedRecord
from whirlbench.analysis.speed_loop.response import (
    Curve,
    Hunting,
    Response,
    TwoPointFit,
    find_hunting,
    step_curve,
    two_point_fits,
)
from whirlbench.analysis.speed_loop.step_figures import (
    BRISK_LAG_S,
    came_back,
    fitted_response,
    governed_response,
    late_hunting,
    part_of_change,
)
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

LONGEST_BEFORE_S, LONGEST_AFTER_S = 5.0, 15.0  # more only adds drift that is no longer straight
SHORTEST_BEFORE_S = 0.25
THINNING = 8  # tach periods made one in the settled part of a hold, where their sum says as much as each of them
SETTLED_LAGS = 5.0  # sums of lags after which 0.7 % is left: a hold begins
NEEDED_LAGS = 3.0  # sums of lags that a hold must last (5 % left) for the gain to be believed
REST_PART = 0.15  # below this part of the other speed the rotor counts as starting from rest or stopping
REVERSALS_OF_A_GOVERNOR = 4
CLEAR_GAIN = 4.0  # standard errors that the gain must differ from zero
MISFIT_PART = 0.08  # rms of what the model leaves beyond noise, as a part of the change, that still counts as a fit
MISFIT_UNEXPLAINED = 4.0  # times the noise from which what is left is misfit, not noise
NAN = math.nan


@dataclass(frozen=True)
class StepResult:
    """One step, what was fitted to it and what was read off it; ``problem`` is empty when it can be relied on.

    ``choice`` is None when nothing could be fitted, or when the speed ``returned`` after a pitch step because something
    governs it. A step with a problem takes no part in ``pooled`` or advice.
    """

    step: Step
    choice: Choice | None = None
    response: Response | None = None
    graphical: tuple[TwoPointFit, ...] = ()
    hunting: Hunting | None = None
    curve: Curve | None = None
    window: Window | None = None
    problem: str = ""
    returned: bool = False


def checked(run: Run, record: SpeedRecord, step: Step, rig: Rig | None) -> Step:
    """``step`` with the complaints that need the speed and the rig added."""
    if step.problem:
        return step
    if rig is not None and step.kind == "throttle" and min(step.from_value, step.to_value) < rig.throttle.min_us:
        return replace(step, problem=f"the motor is cut there: below {rig.throttle.min_us:g} us it does not turn")
    before = record.between(step.at_s - min(step.before_s, 1.0), step.at_s)
    after = record.between(step.at_s + step.ramp_s, step.at_s + step.ramp_s + step.after_s)
    if min(np.isfinite(before.speed_rpm).sum(), np.isfinite(after.speed_rpm).sum()) < 8:
        return replace(step, problem="fewer than eight speeds before or after it: at rest, or the tach was lost")
    speeds = sorted((before.mean_rpm(), after.mean_rpm()))
    if speeds[0] < REST_PART * speeds[1]:
        return replace(step, problem="it starts from rest or ends there, where the drive answers differently")
    return replace(step, problem=_saturation(run, step, rig))


def _saturation(run: Run, step: Step, rig: Rig | None) -> str:
    """Whether the throttle stood at its end while the speed answered."""
    if not run.slow.has("throttle_us") or (rig is not None and rig.speed_controller.governs):
        return ""
    end_us = rig.throttle.max_us if rig is not None else NAN
    throttle = run.slow.between(step.at_s, step.at_s + step.ramp_s + step.after_s).channel("throttle_us")
    if step.kind == "throttle":
        if max(step.from_value, step.to_value) > end_us:
            return f"the throttle went beyond {end_us:g} us, where it is saturated: the speed cannot follow there"
        return ""
    if rig is None and _is_governed(run, step):  # nobody says where it ends: a flat top tells
        end_us = float(np.nanmax(run.slow.channel("throttle_us")))
    at_end = float(np.mean(throttle >= end_us)) if len(throttle) else 0.0
    if at_end > 0.1:
        return f"the throttle was saturated at {end_us:g} us for {100 * at_end:.0f} % of the answer"
    return ""


def _is_governed(run: Run, step: Step) -> bool:
    """Whether the throttle went to and fro about the step, as only a governor's does."""
    throttle = run.slow.between(step.at_s - 2.0, step.at_s + step.ramp_s + step.after_s).channel("throttle_us")
    jumps = np.diff(throttle[np.isfinite(throttle)])
    return int(np.count_nonzero(np.diff(np.sign(jumps[jumps != 0.0])))) >= REVERSALS_OF_A_GOVERNOR


def first_model(record: SpeedRecord, step: Step) -> LoopModel | None:
    """A plain one-lag fit with no regard to noise: tells how long the answer takes; None with too few speeds."""
    before = min(LONGEST_BEFORE_S, 0.4 * step.before_s if step.before_s > 1.0 else step.before_s)
    window = step_window(record, step, before)
    if np.isfinite(window.record.speed_rpm).sum() < 8:
        return None
    return fit_model([window], _guess(record, step), Noise(1.0, 0.0)).model


def _lag_s(model: LoopModel) -> float:
    """Dead time and lags together."""
    return model.dead_time_s + sum(model.lags_s())


def _guess(record: SpeedRecord, step: Step) -> LoopModel:
    """One lag from the crossings of the smoothed answer, or a typical one where it is too noisy to tell."""
    curve = step_curve(record, step, 0.2)
    fits = two_point_fits(*part_of_change(curve)) if len(curve.since_s) else ()
    lag = fits[0].time_constant_s if fits else NAN
    dead = fits[0].dead_time_s - step.ramp_s / 2.0 if fits else NAN
    if not lag > 0.01:
        return LoopModel("first_order", 1.0, 0.05, time_constant_s=0.3)
    return LoopModel("first_order", 1.0, min(max(dead, 0.01), 2.0 * lag + 0.05), time_constant_s=lag)


def step_window(record: SpeedRecord, step: Step, before_s: float, thin_after_s: float = math.inf) -> Window:
    """What the fit sees of ``step``; the hold is thinned out from ``thin_after_s`` after the move on."""
    after = step.ramp_s + min(step.after_s, LONGEST_AFTER_S)
    local = record.between(step.at_s - before_s, step.at_s + after)
    if math.isfinite(thin_after_s):
        local = local.thinned(step.at_s + step.ramp_s + thin_after_s, THINNING)
        local = local.thinned_before(step.at_s - 0.2, THINNING)
    return Window(local, step.at_s, step.ramp_s, step.change, step.at_stderr_s)


def holds_of(record: SpeedRecord, steps: Sequence[Step], firsts: Sequence[LoopModel | None]) -> list[SpeedRecord]:
    """Stretches after each step in which the speed had settled, and the hold before the first."""
    holds: list[SpeedRecord] = []
    for step, first in zip(steps, firsts, strict=True):
        if first is None:
            continue
        if not holds:
            holds.append(record.between(step.at_s - 0.4 * min(step.before_s, LONGEST_BEFORE_S), step.at_s))
        start = step.at_s + step.ramp_s + SETTLED_LAGS * _lag_s(first)
        hold = record.between(start, step.at_s + step.ramp_s + min(step.after_s, LONGEST_AFTER_S))
        holds.append(_without_tail(hold, step, first))
    return holds


def _without_tail(hold: SpeedRecord, step: Step, first: LoopModel) -> SpeedRecord:
    """``hold`` less what is left of the answer in it, which would pass for unsteadiness of the speed."""
    if len(hold.speed_rpm) == 0:
        return hold
    answer, _ = sampled_answer(first, hold.edge_s - step.at_s, step.ramp_s, hold.averaged)
    return replace(hold, speed_rpm=hold.speed_rpm - first.gain * step.change * (answer - 1.0))


def step_result(
    run: Run, rig: Rig | None, record: SpeedRecord, step: Step, first: LoopModel | None, noise: Noise
) -> StepResult:
    """Fit, figures and verdict of one ``step``; ``first`` is its plain one-lag fit, None when there was none."""
    if first is None:
        return StepResult(step, problem=step.problem or "too few speeds around it")
    brisk = step_curve(record, step, BRISK_LAG_S)
    opening = step.at_s - step.before_s <= run.slow.time_s[0]  # nothing was moved before: all of the hold is settled
    before_s = min(step.before_s, LONGEST_BEFORE_S) if opening else _before_s(step, first)
    thin_after_s = 2.0 * SETTLED_LAGS * _lag_s(first) if noise.bears_thinning(record, THINNING) else math.inf
    window = step_window(record, step, before_s, thin_after_s)
    if step.kind == "pitch" and came_back(brisk):
        response = governed_response(run, rig, step, brisk)
        return StepResult(step, None, response, (), late_hunting(record, step), brisk, window, returned=True)
    choice, unexplained = _choice(window, first, noise)
    curve = step_curve(record, step, _lag_s(first))
    moved_s = step.at_s + step.ramp_s
    return StepResult(
        step,
        choice,
        fitted_response(run, rig, replace(step, ramp_s=max(step.ramp_s, choice.hidden_ramp_s)), curve, choice.fit),
        two_point_fits(*part_of_change(curve)),
        find_hunting(record, moved_s + SETTLED_LAGS * _lag_s(first), moved_s + step.after_s),
        curve,
        replace(window, ramp_s=max(window.ramp_s, choice.hidden_ramp_s)),
        _verdict(step, choice, unexplained),
    )


def _before_s(step: Step, first: LoopModel) -> float:
    """How much of the hold before ``step`` is settled, as far as its own lag tells."""
    settled = max(step.before_s - SETTLED_LAGS * _lag_s(first), min(step.before_s, SHORTEST_BEFORE_S))
    if step.before_s >= LONGEST_BEFORE_S and settled < 1.0:
        settled = min(0.3 * step.before_s, 1.0)
    return min(settled, LONGEST_BEFORE_S)


def _choice(window: Window, first: LoopModel, noise: Noise) -> tuple[Choice, float]:
    """The fit with the noise of the holds, or with plain noise where that does not explain what is left.

    Comes with how many times that noise is left. What a model leaves unexplained is a misfit then, and weights made for
    tach noise would chase it.
    """
    choice = choose_form(window, first, noise)
    unexplained = choice.fit.unexplained
    if unexplained > MISFIT_UNEXPLAINED:
        choice = choose_form(window, first, plain_noise(choice.fit.residual_rpm[0], window.record))
    return choice, unexplained


def _verdict(step: Step, choice: Choice, unexplained: float) -> str:
    """Why the fit of this step must not be relied on; empty when it may."""
    fit, model = choice.fit, choice.fit.model
    lags = sum(model.lags_s())
    if choice.ceiling is not None:
        return (
            f"the speed stopped at {100 * choice.ceiling:.0f} % of where its answer was going, as at a ceiling "
            "(saturation): gain and dead time are not told; repeat it smaller, or further from the end of the range"
        )
    if model.form == "integrating" or step.after_s < model.dead_time_s + NEEDED_LAGS * lags:
        return f"the speed never settled within the {step.after_s:.1f} s of hold after it"
    if abs(model.gain) < CLEAR_GAIN * fit.stderr()["gain"]:
        return "the speed did not answer above its noise"
    if step.before_s < model.dead_time_s + NEEDED_LAGS * lags and step.before_s < LONGEST_BEFORE_S:
        return f"the speed had not settled in the {step.before_s:.1f} s before it: it overlaps what came earlier"
    beyond_noise = math.sqrt(max(0.0, 1.0 - 1.0 / max(unexplained, 1.0))) * float(np.std(fit.residual_rpm[0]))
    if beyond_noise > MISFIT_PART * abs(model.gain * step.change):
        return (
            f"no linear model fits: {beyond_noise:.0f} rpm rms are left of a change of {model.gain * step.change:.0f}"
        )
    return ""
