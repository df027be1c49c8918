"""Prove it: what was predicted for these gains, laid over what a re-test shows.

Both are read with the same definitions, on the same smoothing, so that a difference is one of the drive and not of
the reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.governor.advice import Advice
from whirlbench.analysis.governor.prediction import TICK_S, Answers, Trial, load_answers, predict
from whirlbench.analysis.speed_loop import (
    LAST_PART,
    RECOVERED,
    Curve,
    LoopModel,
    SpeedRecord,
    Step,
    find_steps,
    speed_record,
    step_curve,
)
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

SMOOTHING_LAG_S = 0.1  # what curves are smoothed for: a seventh of it, or two tach periods
CLEAR = 4.0  # standard deviations of noise that a band is never narrower than: a hold shows some hundred readings
NOISE_SHIFT = 2.0  # standard deviations by which noise may shift a crossing
LINEAR_ALLOWANCE = 0.15  # of a deviation or a time: what linear models leave out, seen in the campaign of random stands
OVERSHOOT_ALLOWANCE_PCT = 2.0
SETTLED = 0.05
SHORTEST_AFTER_S = 1.0
SAME_GAINS = 0.02  # relative difference that rounding in a rig file may make


@dataclass(frozen=True)
class Band:
    """A figure as predicted: over all plausible drives from ``low`` to ``high``, ``nominal`` for the common model."""

    low: float
    nominal: float
    high: float

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies inside; a value that does not exist (NaN) is inside only where the band is open."""
        return self.low <= value <= self.high if math.isfinite(value) else math.isinf(self.high)


@dataclass(frozen=True)
class Forecast:
    """Prediction of one step under the governor: figures by name, and the curves in rpm about the speed before."""

    figures: dict[str, Band]
    since_s: np.ndarray
    low_rpm: np.ndarray
    nominal_rpm: np.ndarray
    high_rpm: np.ndarray


@dataclass(frozen=True)
class Verdict:
    """One re-tested step: measured figures beside their bands; ``agrees`` when all lie inside."""

    step: Step
    measured: dict[str, float]
    forecast: Forecast
    curve: Curve
    agrees: bool
    line: str


@dataclass(frozen=True)
class Reading:
    """How a curve is read: smoothing in s, standard deviation of the noise left on it, what half a us of pulse does."""

    width_s: float = 0.03
    noise_rpm: float = 0.0
    resolution_rpm: float = 0.0

    @property
    def narrowest_rpm(self) -> float:
        """Bands are never narrower: four standard deviations, or what the whole microseconds of the pulse can hold."""
        return max(CLEAR * self.noise_rpm, self.resolution_rpm)


def forecast(
    advice: Advice,
    step: Step,
    reading: Reading,
    speed_rpm: float,
    pulse_us: float,
    rng: np.random.Generator,
    loads: Sequence[LoopModel] = (),
) -> Forecast:
    """What ``step`` (a request, or the lever that does not govern) will do under ``advice``.

    ``speed_rpm`` and ``pulse_us``: before the step. ``loads``: plausible answers of the ungoverned speed to the other
    lever, needed unless ``step`` is a request (AnalysisError). ``rng`` starts the tachs.
    """
    models = [drive_alone(model, advice) for model in advice.models]
    duration = step.ramp_s + step.after_s
    load = None
    if step.kind != "request":
        if not loads:
            raise AnalysisError(f"the answer to a {step.kind} step cannot be predicted: no such step was identified")
        paired = [loads[index % len(loads)] for index in range(len(models))]
        load = load_answers(paired, step.change, duration)
    change = step.change if step.kind == "request" else 0.0
    trial = Trial(speed_rpm, pulse_us, duration, change, load)
    return _read(predict(models, advice.law, trial, rng), step, reading, speed_rpm)


def drive_alone(model: LoopModel, advice: Advice) -> LoopModel:
    """``model`` with the dead time of the drive only: a tach delay that the record could not tell is taken off."""
    if advice.extra_delay_s > 0.0:
        return model
    dead = max(model.dead_time_s - 60.0 / advice.speed_rpm - TICK_S / 2.0, 0.0)
    return LoopModel(
        model.form, model.gain, dead, model.time_constant_s, model.damping_ratio, model.natural_frequency_rad_s
    )


def _read(answers: Answers, step: Step, reading: Reading, speed_rpm: float) -> Forecast:
    moved = _smoothed(answers.speed_rpm - speed_rpm, reading.width_s)
    figures: dict[str, Band] = {}
    spread = [governed_figures(answers.since_s, one, step.kind, reading) for one in moved]
    early = [governed_figures(answers.since_s, one, step.kind, reading, NOISE_SHIFT) for one in moved]
    late = [governed_figures(answers.since_s, one, step.kind, reading, -NOISE_SHIFT) for one in moved]
    for name, nominal in spread[0].items():
        low = min(_or(one[name], math.inf) for one in early)
        high = max(_or(one[name], math.inf) for one in late)
        figures[name] = _allowed(name, Band(low, nominal, high))
    margin = CLEAR * reading.noise_rpm
    return Forecast(figures, answers.since_s, moved.min(axis=0) - margin, moved[0], moved.max(axis=0) + margin)


def _allowed(name: str, band: Band) -> Band:
    """``band`` with the allowance for what no linear model knows; times also by one tick of the device."""
    if name == "overshoot_pct":
        return Band(max(band.low - OVERSHOOT_ALLOWANCE_PCT, 0.0), band.nominal, band.high + OVERSHOOT_ALLOWANCE_PCT)
    tick = TICK_S if name.endswith("_s") else 0.0
    low, high = (1.0 - LINEAR_ALLOWANCE) * band.low - tick, (1.0 + LINEAR_ALLOWANCE) * band.high + tick
    return Band(max(low, 0.0), band.nominal, high)


def _or(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _smoothed(moved: np.ndarray, width_s: float) -> np.ndarray:
    """Running mean over ``width_s`` along the last axis; ends are repeated."""
    count = max(1, round(width_s / TICK_S)) | 1
    padded = np.pad(moved, ((0, 0), (count // 2, count // 2)), mode="edge")
    total = np.concatenate([np.zeros((len(moved), 1)), np.cumsum(padded, axis=1)], axis=1)
    mean: np.ndarray = (total[:, count:] - total[:, :-count]) / count
    return mean


def governed_figures(
    since_s: np.ndarray, moved_rpm: np.ndarray, kind: str, reading: Reading, shift: float = 0.0
) -> dict[str, float]:
    """Overshoot (%) and settling into 5 % of a request step; deviation (rpm) and recovery into a tenth of another.

    ``moved_rpm``: speed minus the speed before, ``(n,)``. Bands are never narrower than ``reading`` allows.
    ``shift`` widens the band by so many standard deviations and lowers the peak by as much: how noise may flatter.
    """
    settled = float(np.mean(moved_rpm[since_s > (1.0 - LAST_PART) * since_s[-1]]))
    slack = shift * reading.noise_rpm
    error = moved_rpm - settled
    if kind == "request":
        over = 100.0 * (float(np.max(moved_rpm / settled)) - 1.0 - slack / abs(settled)) if settled else math.nan
        settling = _inside_for_good(since_s, error, max(SETTLED * abs(settled), reading.narrowest_rpm), slack)
        return {"overshoot_pct": max(over, 0.0), "settling_5pct_s": settling}
    deviation = float(np.max(np.abs(error)))
    recovery = _inside_for_good(since_s, error, max(RECOVERED * deviation, reading.narrowest_rpm), slack)
    return {"deviation_rpm": max(deviation - slack, 0.0), "recovery_s": recovery}


def _inside_for_good(since: np.ndarray, error: np.ndarray, band: float, slack: float) -> float:
    outside = np.flatnonzero(np.abs(error) > max(band + slack, 0.7 * band))
    if not len(outside):
        return 0.0
    return float(since[outside[-1] + 1]) if outside[-1] + 1 < 0.95 * len(since) else math.nan


def prove(
    run: Run, advice: Advice, rng: np.random.Generator, loads: Sequence[LoopModel] = (), rig: Rig | None = None
) -> tuple[Verdict, ...]:
    """A verdict on every governed step of the re-test ``run``: requests, and the other lever where ``loads`` are known.

    A run without such a step, held for a second or more, raises AnalysisError, and so does a ``rig`` whose governor
    had other gains than those advised. ``rng`` as for ``forecast``.
    """
    _check_gains(advice, rig, run.source or "the re-test")
    record = speed_record(run)
    steps = [step for step in find_steps(run, rig) if _provable(run, step, advice, loads)]
    if not steps:
        raise AnalysisError(
            f"{run.source or 'the re-test'}: no step of the request, or of the other lever, while the governor held "
            "the speed; run the plan that the advice wrote"
        )
    return tuple(_verdict(run, record, advice, step, rng, loads) for step in steps)


def _check_gains(advice: Advice, rig: Rig | None, source: str) -> None:
    """A prediction is for the gains it was made with."""
    if rig is None or rig.governor.mode != advice.lever:
        return
    own = rig.governor
    pairs = (
        ((own.pitch_kp_us_per_rpm, advice.kp), (own.pitch_ki_us_per_rpm_s, advice.ki))
        if advice.lever == "pitch"
        else ((own.kp_us_per_rpm, advice.kp), (own.ki_us_per_rpm_s, advice.ki))
    )
    if any(abs(loaded - advised) > SAME_GAINS * abs(advised) for loaded, advised in pairs):
        raise AnalysisError(
            f"{source}: the governor ran with kp {pairs[0][0]:.4g} and ki {pairs[1][0]:.4g}, the advice is kp "
            f"{pairs[0][1]:.4g} and ki {pairs[1][1]:.4g}; load those and run the re-test again"
        )


def _provable(run: Run, step: Step, advice: Advice, loads: Sequence[LoopModel]) -> bool:
    if step.problem or step.kind == advice.lever or step.after_s < SHORTEST_AFTER_S:
        return False
    request = run.slow.between(step.at_s - min(step.before_s, 0.5), step.at_s).channel("speed_request_rpm")
    governed = len(request) > 0 and bool(np.isfinite(request).all()) and float(request[0]) > 0.0
    return governed and (step.kind == "request" or bool(loads))


def _verdict(
    run: Run, record: SpeedRecord, advice: Advice, step: Step, rng: np.random.Generator, loads: Sequence[LoopModel]
) -> Verdict:
    curve = step_curve(record, step, SMOOTHING_LAG_S)
    before = record.between(step.at_s - min(step.before_s, 0.5), step.at_s).mean_rpm()
    reading = Reading(curve.width_s, _noise_of(curve), 0.5 * abs(advice.models[0].gain))
    pulse = run.slow.between(step.at_s - min(step.before_s, 0.5), step.at_s).channel(
        "servo_us" if advice.lever == "pitch" else "throttle_us"
    )
    expected = forecast(advice, step, reading, before, float(np.nanmean(pulse)), rng, loads)
    after = np.isfinite(curve.speed_rpm) & (curve.since_s > 0.0)
    moved = curve.speed_rpm[after] - before
    measured = governed_figures(curve.since_s[after], moved, step.kind, reading)
    outside = [name for name, band in expected.figures.items() if not band.holds(measured[name])]
    return Verdict(step, measured, expected, curve, not outside, _line(step, measured, expected, outside))


def _noise_of(curve: Curve) -> float:
    """Standard deviation of ``curve`` about its level: the larger one of before the step and of the hold's second half.

    Gusts come and go within a hold, so neither stretch alone tells what the other may hold.
    """
    known, since = np.isfinite(curve.speed_rpm), curve.since_s
    stretches = [curve.speed_rpm[known & part] for part in (since < 0.0, since > 0.5 * since[-1])]
    return max(float(np.std(stretch)) for stretch in stretches if len(stretch))


WORDS = {
    "overshoot_pct": ("overshoot", "%"),
    "settling_5pct_s": ("settling into 5 %", "s"),
    "deviation_rpm": ("deviation", "rpm"),
    "recovery_s": ("recovery", "s"),
}


def _line(step: Step, measured: dict[str, float], expected: Forecast, outside: Sequence[str]) -> str:
    parts = []
    for name, band in expected.figures.items():
        word, unit = WORDS[name]
        place = "OUTSIDE" if name in outside else "within"
        parts.append(f"{word} {measured[name]:.3g} {unit}, {place} {band.low:.3g} to {band.high:.3g}")
    verdict = "not as predicted" if outside else "as predicted"
    return f"{step.kind} step at {step.at_s:.2f} s: {verdict}; " + "; ".join(parts)
