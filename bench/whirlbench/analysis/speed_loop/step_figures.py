"""Figures of one step from the record and its fit, or of a governed one from the record alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import Step
from whirlbench.analysis.speed_loop.model_fit import Fit
from whirlbench.analysis.speed_loop.models import sampled_answer
from whirlbench.analysis.speed_loop.record import SpeedRecord
from whirlbench.analysis.speed_loop.response import GRID_S, Curve, Hunting, Response, find_hunting, read_response
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

BRISK_LAG_S = 0.1  # governed speeds come back so fast: what their curves are smoothed for
CLEAR_RETURN, RETURNED_PART = 6.0, 0.4  # of the noise before, and of the largest excursion, for a speed that came back
REST_LAGS = 0.5  # of the sum of lags over which what the fit leaves is averaged again
QUIET_PART = 0.02  # of the noise that is left on a fitted curve: only what keeps zero from being divided by
CLEAR_REST = 4.0  # standard deviations beyond which that is no noise: the highest of some hundred stays below
NAN = math.nan


def part_of_change(curve: Curve) -> tuple[np.ndarray, np.ndarray]:
    """The answer from 0 before the step to 1 at the end of the hold."""
    since, speed = curve.since_s, curve.speed_rpm
    before = float(np.nanmean(speed[since < 0.0])) if np.isfinite(speed[since < 0.0]).any() else NAN
    late = speed[since > 0.7 * since[-1]]
    settled = float(np.nanmean(late)) if np.isfinite(late).any() else NAN
    after = since >= 0.0
    return since[after], (speed[after] - before) / (settled - before) if settled != before else speed[after] * NAN


def late_hunting(record: SpeedRecord, step: Step) -> Hunting | None:
    """Hunting in the second half of the hold after ``step``."""
    end = step.at_s + step.ramp_s + step.after_s
    return find_hunting(record, end - step.after_s / 2.0, end)


def came_back(curve: Curve) -> bool:
    """Whether the speed left and returned: somebody governs, and a model of the bare drive does not apply."""
    since, speed = curve.since_s, curve.speed_rpm
    before = speed[(since < 0.0) & np.isfinite(speed)]
    after = speed[(since > 0.0) & np.isfinite(speed)]
    if len(before) < 20 or len(after) < 20:
        return False
    moved = after - before.mean()
    largest, settled = float(np.max(np.abs(moved))), abs(float(np.mean(moved[-len(moved) // 3 :])))
    return largest > CLEAR_RETURN * float(np.std(before)) and settled < RETURNED_PART * largest


def governed_response(run: Run, rig: Rig | None, step: Step, curve: Curve) -> Response:
    """Figures of a step after which the speed came back, read off ``curve``."""
    quiet = (curve.since_s < 0.0) & np.isfinite(curve.speed_rpm)
    late = np.isfinite(curve.speed_rpm) & (curve.since_s > 0.7 * curve.since_s[-1])
    noise_rpm = min(float(np.std(curve.speed_rpm[quiet])), float(np.std(curve.speed_rpm[late])))
    return _figures(run, rig, step, curve, float(np.mean(curve.speed_rpm[quiet])), 0.0, noise_rpm)


def fitted_response(run: Run, rig: Rig | None, step: Step, curve: Curve, fit: Fit) -> Response:
    """Figures of a step that ``fit`` describes, read off the record as far as it stands out of its noise.

    What the fit leaves of ``curve`` is averaged once more and set to zero where it may be noise: a good fit is then
    read without its noise, a bad one as it was measured.
    """
    if len(curve.since_s) == 0:
        return Response(NAN)
    answer, _ = sampled_answer(fit.model, curve.since_s, step.ramp_s, averaged=False)
    fitted = fit.before_rpm[0] + fit.drift_rpm_per_s[0] * curve.since_s + fit.model.gain * step.change * answer
    rest, noise_rpm = _clear_rest(curve, fitted, REST_LAGS * sum(fit.model.lags_s()))
    quiet = Curve(curve.since_s, fitted + rest, curve.width_s)
    response = _figures(run, rig, step, quiet, fit.before_rpm[0], fit.drift_rpm_per_s[0], QUIET_PART * noise_rpm)
    return replace(response, noise_rpm=noise_rpm)


def _clear_rest(curve: Curve, fitted: np.ndarray, width_s: float) -> tuple[np.ndarray, float]:
    """What ``fitted``, smoothed as ``curve`` is, leaves of it beyond noise; and the noise of the curve in rpm."""
    rest = curve.speed_rpm - _mean_over(fitted, curve.width_s)
    known = np.isfinite(rest)
    late = known & (curve.since_s > 0.5 * curve.since_s[-1])
    if not late.any():
        return np.zeros_like(rest), NAN
    smooth = _mean_over(np.where(known, rest, 0.0), width_s)
    noise, scatter = float(np.std(rest[late])), float(np.std(smooth[late]))
    # a short hold shows few independent means: independent samples would scatter at least so much
    scatter = max(scatter, noise * math.sqrt(min(curve.width_s / width_s, 1.0)) if width_s > 0.0 else noise)
    return np.where(known & (np.abs(smooth) > CLEAR_REST * scatter), smooth, 0.0), noise


def _mean_over(values: np.ndarray, width_s: float) -> np.ndarray:
    """Running mean over ``width_s`` of values on the grid of curves; ends are repeated."""
    count = max(1, round(width_s / GRID_S)) | 1
    if count == 1 or not math.isfinite(width_s):
        return values
    count = min(count, len(values) | 1)
    padded = np.pad(values, count // 2, mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    mean: np.ndarray = (total[count:] - total[:-count]) / count
    return mean[: len(values)]


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


def _headroom_pct(throttle_us: np.ndarray, rig: Rig | None) -> float:
    """Throttle left at the hold as a part of its whole travel; NaN without rig or throttle."""
    if rig is None or not np.isfinite(throttle_us).any() or rig.speed_controller.governs:
        return NAN
    throttle = rig.throttle
    return 100.0 * (throttle.max_us - float(np.nanmedian(throttle_us))) / (throttle.max_us - throttle.min_us)
