"""Identify the speed loop of a run: steps fitted, models chosen, repeats pooled, and what cannot be used said.

Two passes. The first fits one lag to each step, only to learn how long the speed takes to settle. The second knows
then which stretches are holds, estimates the noise there, and fits the candidates to windows that begin settled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.analysis.speed_loop_choice import Choice, choose_form
from bench.analysis.speed_loop_fit import Window, fit_model
from bench.analysis.speed_loop_graphical import TwoPointFit, two_point_fits
from bench.analysis.speed_loop_models import LoopModel, sampled_answer
from bench.analysis.speed_loop_noise import Noise, noise_of_holds, plain_noise
from bench.analysis.speed_loop_pool import Pooled, pool
from bench.analysis.speed_loop_record import Origin, SpeedRecord, speed_record
from bench.analysis.speed_loop_response import Curve, Hunting, Response, find_hunting, read_response, step_curve
from bench.analysis.steps import KINDS, Step, find_steps
from bench.errors import AnalysisError
from bench.rig.description import Rig
from bench.samples import Run

LONGEST_BEFORE_S, LONGEST_AFTER_S = 5.0, 15.0  # more only adds drift that is no longer straight
SHORTEST_BEFORE_S = 0.25
THINNING = 8  # tach periods made one in the settled part of a hold, where they say the same
SETTLED_LAGS = 5.0  # sums of lags after which 0.7 % is left: a hold begins
NEEDED_LAGS = 3.0  # sums of lags that a hold must last (5 % left) for the gain to be believed
REST_PART = 0.15  # below this part of the other speed the rotor counts as starting from rest or stopping
CLEAR_GAIN = 4.0  # standard errors that the gain must differ from zero
MISFIT_PART = 0.08  # rms of what the model leaves beyond noise, as a part of the change, that still counts as a fit
MISFIT_UNEXPLAINED = 4.0  # times the noise from which what is left is misfit, not noise
BRISK_LAG_S = 0.1  # governed speeds come back so fast: what their curves are smoothed for
CLEAR_RETURN, RETURNED_PART = 6.0, 0.4  # of the noise before, and of the largest excursion, for a speed that came back
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


@dataclass(frozen=True)
class SpeedLoop:
    """All that a run tells about its speed loop.

    ``delay_modelled``: the dead times are those of the drive alone, because the record told the tach periods; a loop
    closed over the tach then sees one period more. ``notes`` are plain lines about repairs and doubts.
    """

    steps: tuple[StepResult, ...]
    pooled: tuple[Pooled, ...]
    noise: Noise
    origin: Origin
    delay_modelled: bool
    notes: tuple[str, ...] = ()

    def usable(self) -> tuple[StepResult, ...]:
        """The steps without a problem."""
        return tuple(result for result in self.steps if not result.problem)


def identify(run: Run, rig: Rig | None = None) -> SpeedLoop:
    """The speed loop of ``run``.

    ``rig`` adds the pitch table, the throttle's end points and whether the throttle pulse is a request. A run without
    speed, without a step, or without a single step that can be used raises AnalysisError saying why.
    """
    record = speed_record(run)
    if np.isfinite(record.speed_rpm).sum() < 2:
        raise AnalysisError(f"{_name(run)}: no tach pulses and no rpm were recorded; the speed loop needs one of them")
    steps = find_steps(run, rig)
    if not steps:
        raise AnalysisError(
            f"{_name(run)}: no step of throttle, request or pitch was found; record a plan that moves one lever "
            "at once and holds it for two seconds or more on both sides"
        )
    steps = tuple(_checked(run, record, step, rig) for step in steps)
    firsts = [_first_model(record, step) if not step.problem else None for step in steps]
    noise = noise_of_holds(_holds(record, steps, firsts))
    results = tuple(_result(run, rig, record, *pair, noise) for pair in zip(steps, firsts, strict=True))
    loop = SpeedLoop(results, (), noise, record.origin, record.averaged, _notes(record, results))
    if not loop.usable():
        raise AnalysisError(f"{_name(run)}: none of {len(results)} step(s) can be used: {_complaints(results)}")
    return replace(loop, pooled=tuple(_pooled(loop, noise)))


def _pooled(loop: SpeedLoop, noise: Noise) -> Iterator[Pooled]:
    for kind in KINDS:
        fitted = [(r.window, r.choice) for r in loop.usable() if r.step.kind == kind and r.window and r.choice]
        if fitted:
            yield pool(fitted, _common_noise([choice for _, choice in fitted], noise), kind)


def _common_noise(choices: Sequence[Choice], noise: Noise) -> Noise:
    """The noise of the holds, unless a step was fitted with its own plain one: then the plainest of them all."""
    own = [choice.fit.noise for choice in choices if choice.fit.noise != noise]
    return max(own, key=lambda one: one.steady) if own else noise


def _name(run: Run) -> str:
    return run.source or "the run"


def _complaints(results: Sequence[StepResult]) -> str:
    lines = [f"{r.step.kind} step at {r.step.at_s:.2f} s: {r.problem}" for r in results]
    return "; ".join(lines[:3]) + (f"; and {len(lines) - 3} more" if len(lines) > 3 else "")


def _notes(record: SpeedRecord, results: Sequence[StepResult]) -> tuple[str, ...]:
    notes = []
    if record.dropped:
        notes.append(f"{record.dropped} tach edge(s) or rpm sample(s) were missing or out of place and were bridged")
    if record.origin == "rpm":
        notes.append("speeds are bare rpm samples: a delay of whatever measured them is part of the dead times")
    skipped = sum(bool(result.problem) for result in results)
    if skipped:
        notes.append(f"{skipped} of {len(results)} step(s) were left out; each says why")
    return tuple(notes)


def _checked(run: Run, record: SpeedRecord, step: Step, rig: Rig | None) -> Step:
    """``step`` with the complaints that need the speed and the rig added."""
    if step.problem:
        return step
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
    if rig is None and np.ptp(throttle) > 0:  # it is governed, yet nobody says where it ends: a flat top tells
        end_us = float(np.nanmax(run.slow.channel("throttle_us")))
    at_end = float(np.mean(throttle >= end_us)) if len(throttle) else 0.0
    if at_end > 0.1:
        return f"the throttle was saturated at {end_us:g} us for {100 * at_end:.0f} % of the answer"
    return ""


def _first_model(record: SpeedRecord, step: Step) -> LoopModel | None:
    """A plain one-lag fit with no regard to noise: tells how long the answer takes; None with too few speeds."""
    before = min(LONGEST_BEFORE_S, 0.4 * step.before_s if step.before_s > 1.0 else step.before_s)
    window = _window(record, step, before)
    if np.isfinite(window.record.speed_rpm).sum() < 8:
        return None
    return fit_model([window], _guess(record, step), Noise(1.0, 0.0)).model


def _lag_s(model: LoopModel) -> float:
    """Dead time and lags together."""
    return model.dead_time_s + sum(model.lags_s())


def _guess(record: SpeedRecord, step: Step) -> LoopModel:
    """One lag from the crossings of the smoothed answer, or a typical one where it is too noisy to tell."""
    curve = step_curve(record, step, 0.2)
    fits = two_point_fits(*_part_of_change(curve)) if len(curve.since_s) else ()
    lag = fits[0].time_constant_s if fits else NAN
    dead = fits[0].dead_time_s - step.ramp_s / 2.0 if fits else NAN
    if not lag > 0.01:
        return LoopModel("first_order", 1.0, 0.05, time_constant_s=0.3)
    return LoopModel("first_order", 1.0, min(max(dead, 0.01), 2.0 * lag + 0.05), time_constant_s=lag)


def _part_of_change(curve: Curve) -> tuple[np.ndarray, np.ndarray]:
    """The answer from 0 before the step to 1 at the end of the hold."""
    since, speed = curve.since_s, curve.speed_rpm
    before = float(np.nanmean(speed[since < 0.0])) if np.isfinite(speed[since < 0.0]).any() else NAN
    late = speed[since > 0.7 * since[-1]]
    settled = float(np.nanmean(late)) if np.isfinite(late).any() else NAN
    after = since >= 0.0
    return since[after], (speed[after] - before) / (settled - before) if settled != before else speed[after] * NAN


def _window(record: SpeedRecord, step: Step, before_s: float, thin_after_s: float = math.inf) -> Window:
    """What the fit sees of ``step``; the hold is thinned out from ``thin_after_s`` after the move on."""
    after = step.ramp_s + min(step.after_s, LONGEST_AFTER_S)
    local = record.between(step.at_s - before_s, step.at_s + after)
    if math.isfinite(thin_after_s):
        local = local.thinned(step.at_s + step.ramp_s + thin_after_s, THINNING)
        local = local.thinned_before(step.at_s - 0.2, THINNING)
    return Window(local, step.at_s, step.ramp_s, step.change)


def _holds(record: SpeedRecord, steps: Sequence[Step], firsts: Sequence[LoopModel | None]) -> list[SpeedRecord]:
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


def _result(
    run: Run, rig: Rig | None, record: SpeedRecord, step: Step, first: LoopModel | None, noise: Noise
) -> StepResult:
    """Fit, figures and verdict of one step."""
    if first is None:
        return StepResult(step, problem=step.problem or "too few speeds around it")
    lag_s = _lag_s(first)
    settled_before = max(step.before_s - SETTLED_LAGS * lag_s, min(step.before_s, SHORTEST_BEFORE_S))
    if step.before_s >= LONGEST_BEFORE_S and settled_before < 1.0:
        settled_before = min(0.3 * step.before_s, 1.0)
    window = _window(record, step, min(settled_before, LONGEST_BEFORE_S), 2.0 * SETTLED_LAGS * lag_s)
    curve = step_curve(record, step, lag_s)
    hunting = find_hunting(
        record, step.at_s + step.ramp_s + SETTLED_LAGS * lag_s, step.at_s + step.ramp_s + step.after_s
    )
    brisk = step_curve(record, step, BRISK_LAG_S)
    if step.kind == "pitch" and _came_back(brisk):
        response = _governed_response(run, rig, step, brisk)
        return StepResult(step, None, response, (), _late_hunting(record, step), brisk, window, returned=True)
    choice = _choice(window, first, noise)
    response = _response(run, rig, step, curve, choice)
    shape = two_point_fits(*_part_of_change(curve))
    return StepResult(step, choice, response, shape, hunting, curve, window, _verdict(step, choice))


def _choice(window: Window, first: LoopModel, noise: Noise) -> Choice:
    """The fit with the noise of the holds, or with plain noise where that does not explain what is left.

    What a model leaves unexplained is a misfit then, and weights made for tach noise would chase it.
    """
    choice = choose_form(window, first, noise)
    if choice.fit.unexplained <= MISFIT_UNEXPLAINED:
        return choice
    return choose_form(window, first, plain_noise(choice.fit.residual_rpm[0], window.record))


def _late_hunting(record: SpeedRecord, step: Step) -> Hunting | None:
    """Hunting in the second half of the hold after ``step``."""
    end = step.at_s + step.ramp_s + step.after_s
    return find_hunting(record, end - step.after_s / 2.0, end)


def _came_back(curve: Curve) -> bool:
    """Whether the speed left and returned: somebody governs, and a model of the bare drive does not apply."""
    since, speed = curve.since_s, curve.speed_rpm
    before = speed[(since < 0.0) & np.isfinite(speed)]
    after = speed[(since > 0.0) & np.isfinite(speed)]
    if len(before) < 20 or len(after) < 20:
        return False
    moved = after - before.mean()
    largest, settled = float(np.max(np.abs(moved))), abs(float(np.mean(moved[-len(moved) // 3 :])))
    return largest > CLEAR_RETURN * float(np.std(before)) and settled < RETURNED_PART * largest


def _governed_response(run: Run, rig: Rig | None, step: Step, curve: Curve) -> Response:
    quiet = (curve.since_s < 0.0) & np.isfinite(curve.speed_rpm)
    late = np.isfinite(curve.speed_rpm) & (curve.since_s > 0.7 * curve.since_s[-1])
    noise_rpm = min(float(np.std(curve.speed_rpm[quiet])), float(np.std(curve.speed_rpm[late])))
    return _figures(run, rig, step, curve, float(np.mean(curve.speed_rpm[quiet])), 0.0, noise_rpm)


def _response(run: Run, rig: Rig | None, step: Step, curve: Curve, choice: Choice) -> Response:
    fit = choice.fit
    residual = fit.residual_rpm[0]
    spread = float(np.std(residual)) * math.sqrt(min(1.0, _spacing(curve, len(residual), step) * fit.memory))
    return _figures(run, rig, step, curve, fit.before_rpm[0], fit.drift_rpm_per_s[0], spread)


def _figures(
    run: Run, rig: Rig | None, step: Step, curve: Curve, before_rpm: float, drift: float, noise_rpm: float
) -> Response:
    """Figures of the step, with the request and the throttle that were in force at its end."""
    late = run.slow.between(step.at_s + step.ramp_s + 0.7 * step.after_s, step.at_s + step.ramp_s + step.after_s)
    request = late.channel("speed_request_rpm")
    asked = float(np.nanmedian(request)) if np.isfinite(request).any() and np.nanmedian(request) > 0 else NAN
    if step.kind == "request":
        asked = step.to_value
    response = read_response(curve, step, before_rpm, drift, noise_rpm, asked)
    return replace(response, headroom_pct=_headroom_pct(late.channel("throttle_us"), rig))


def _spacing(curve: Curve, samples: int, step: Step) -> float:
    """Part of one smoothing width that one sample covers."""
    return (min(step.after_s, LONGEST_AFTER_S) / samples) / curve.width_s


def _headroom_pct(throttle_us: np.ndarray, rig: Rig | None) -> float:
    """Throttle left at the hold as a part of its whole travel; NaN without rig or throttle."""
    if rig is None or not np.isfinite(throttle_us).any() or rig.speed_controller.governs:
        return NAN
    throttle = rig.throttle
    return 100.0 * (throttle.max_us - float(np.nanmedian(throttle_us))) / (throttle.max_us - throttle.min_us)


def _verdict(step: Step, choice: Choice) -> str:
    """Why the fit of this step must not be relied on; empty when it may."""
    fit, model = choice.fit, choice.fit.model
    lags = sum(model.lags_s())
    if model.form == "integrating" or step.after_s < model.dead_time_s + NEEDED_LAGS * lags:
        return f"the speed never settled within the {step.after_s:.1f} s of hold after it"
    if abs(model.gain) < CLEAR_GAIN * fit.stderr()["gain"]:
        return "the speed did not answer above its noise"
    if step.before_s < model.dead_time_s + NEEDED_LAGS * lags and step.before_s < LONGEST_BEFORE_S:
        return f"the speed had not settled in the {step.before_s:.1f} s before it: it overlaps what came earlier"
    beyond_noise = math.sqrt(max(0.0, 1.0 - 1.0 / max(fit.unexplained, 1.0))) * float(np.std(fit.residual_rpm[0]))
    if beyond_noise > MISFIT_PART * abs(model.gain * step.change):
        return (
            f"no linear model fits: {beyond_noise:.0f} rpm rms are left of a change of {model.gain * step.change:.0f}"
        )
    return ""
