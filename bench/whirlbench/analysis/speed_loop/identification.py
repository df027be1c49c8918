"""Identify the speed loop of a run: steps fitted, models chosen, repeats pooled, and what cannot be used said.

Two passes. The first fits one lag to each step, only to learn how long the speed takes to settle. The second knows
then which stretches are holds, estimates the noise there, and fits the candidates to windows that begin settled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.channel import ChannelFound, find_channel
from whirlbench.analysis.speed_loop.lever_steps import KINDS, find_steps
from whirlbench.analysis.speed_loop.model_choice import CEILING_BETTER, Choice
from whirlbench.analysis.speed_loop.noise import Noise, noise_of_holds
from whirlbench.analysis.speed_loop.pool import Pooled, pool
from whirlbench.analysis.speed_loop.record import Origin, SpeedChannel, SpeedRecord, speed_record
from whirlbench.analysis.speed_loop.step_result import StepResult, checked, first_model, holds_of, step_result
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run


@dataclass(frozen=True)
class SpeedLoop:
    """All that a run tells about its speed loop.

    The dead times are those of the drive alone, what ``channel`` adds taken out and its doubt in their errors; a loop
    closed over the tach sees one period more. ``averaged``: whether ``noise`` is that of averages between edges.
    ``notes`` are plain lines about repairs and doubts; ``record`` is what the speeds were read as.
    """

    steps: tuple[StepResult, ...]
    pooled: tuple[Pooled, ...]
    noise: Noise
    origin: Origin
    channel: ChannelFound
    averaged: bool
    notes: tuple[str, ...] = ()
    record: SpeedRecord | None = None

    def usable(self) -> tuple[StepResult, ...]:
        """The steps without a problem."""
        return tuple(result for result in self.steps if not result.problem)


def identify(run: Run, rig: Rig | None = None, channel: SpeedChannel | None = None) -> SpeedLoop:
    """The speed loop of ``run``, of which at least one step can be used.

    ``channel`` says how its speeds were made; it is found by likelihood when None. ``rig`` adds the pitch table, the
    throttle's end points and whether the throttle pulse is a request. A run without speed, without a step, or without a
    single step that can be used raises AnalysisError saying why.
    """
    loop = all_steps(run, rig, channel)
    if not loop.steps:
        raise AnalysisError(
            f"{_name(run)}: no step of throttle, request or pitch was found; record a plan that moves one lever "
            "at once and holds it for two seconds or more on both sides"
        )
    if not loop.usable():
        raise AnalysisError(
            f"{_name(run)}: none of {_steps(len(loop.steps))} can be used: {_complaints(loop.steps)}; "
            f"{_channel_line(loop.channel)}"
        )
    return loop


def all_steps(run: Run, rig: Rig | None = None, channel: SpeedChannel | None = None) -> SpeedLoop:
    """As ``identify``, for runs that may hold no step, or none that can be used; AnalysisError without speed."""
    record = speed_record(run, channel)
    if np.isfinite(record.speed_rpm).sum() < 2:
        raise AnalysisError(f"{_name(run)}: no tach pulses and no rpm were recorded; the speed loop needs one of them")
    steps = tuple(checked(run, record, step, rig) for step in find_steps(run, rig))
    record, found = find_channel(run, steps, channel)
    firsts = [first_model(record, step) if not step.problem else None for step in steps]
    noise = noise_of_holds(holds_of(record, steps, firsts))
    results = tuple(step_result(run, rig, record, *pair, noise) for pair in zip(steps, firsts, strict=True))
    results = _below_ceilings(_unfiltered(results, found))
    notes = tuple(_notes(record, found, noise, results))
    loop = SpeedLoop(results, (), noise, record.origin, found, record.averaged, notes, record)
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


def _unfiltered(results: Sequence[StepResult], found: ChannelFound) -> Sequence[StepResult]:
    """``results``, all of them refused where the speeds may have gone through a filter that nobody named."""
    if found.filter_s <= 0.0:
        return results
    doubt = (
        f"the speeds may be filtered over {found.filter_s:.2g} s, or the rotor lags so long and gusts push it: the "
        f"samples cannot tell; say --speeds filtered:{found.filter_s:.2g}, or what else they are"
    )
    return tuple(replace(result, problem=result.problem or doubt) for result in results)


def _below_ceilings(results: Sequence[StepResult]) -> tuple[StepResult, ...]:
    """``results`` with those refused that begin or end where steps of the same lever, together, met a ceiling."""
    told: dict[tuple[str, float], float] = {}
    for result in results:
        if result.choice:
            surely = math.inf if result.choice.ceiling is not None else result.choice.ceiling_evidence
            level = (result.step.kind, round(result.step.to_value, 1))
            told[level] = told.get(level, 0.0) + surely
    met = {level for level, evidence in told.items() if evidence > CEILING_BETTER}
    held = "it begins or ends where the speed of another step, or of several, met a ceiling (saturation)"
    return tuple(
        replace(result, problem=held)
        if not result.problem and met & {(result.step.kind, round(v, 1)) for v in _levels(result)}
        else result
        for result in results
    )


def _levels(result: StepResult) -> tuple[float, float]:
    return result.step.from_value, result.step.to_value


READ_AS = {
    "tach": "the edges of the tach",
    "held": "the last tach period, held until the next edge",
    "bare": "speeds of the instant",
    "averaged": "means since the sample before",
    "last turn": "the last whole turn's",
    "filtered": "filtered",
}


def _notes(record: SpeedRecord, found: ChannelFound, noise: Noise, results: Sequence[StepResult]) -> Iterator[str]:
    if record.dropped:
        yield f"{record.dropped} tach edge(s) or rpm sample(s) were missing or out of place and were bridged"
    yield _channel_line(found)
    if noise.wander > 0.0:
        size = noise.wander**0.5
        yield (
            f"the speed wanders by {size:.1f} rpm over {noise.wander_s:.2g} s in the holds (gusts, or a filter of the "
            "speed): counted in every error, for neighbouring samples tell little anew"
        )
    ramps = [r.choice.hidden_ramp_s for r in results if r.choice and r.choice.hidden_ramp_s > 0.0 and not r.problem]
    if ramps:
        yield (
            f"{len(ramps)} step(s) answered as to a lever that takes {float(np.median(ramps)):.2f} s: the speed "
            "controller ramps; its ramp is not in the dead time, and advice counts the drive without one as well"
        )
    skipped = sum(bool(result.problem) for result in results)
    if skipped:
        yield f"{skipped} of {_steps(len(results))} left out; each says why"


def _channel_line(found: ChannelFound) -> str:
    """What the speeds are taken for, and what is not known of that."""
    lag = f" behind {found.channel.filter_s:.3g} s" if found.channel.kind == "filtered" else ""
    line = f"speeds are {READ_AS[found.channel.kind]}{lag}"
    if found.given:
        return f"{line}, as given"
    if len(found.likelihood) < 2:
        return line
    others = ", ".join(f"{READ_AS[kind]} {100 * part:.0f} %" for kind, part in found.likelihood.items())
    rounded = f", rounded to {found.rounding_rpm:g} rpm" if found.rounding_rpm else ""
    line = f"{line}, every {found.interval_s:.3g} s{rounded}, by likelihood ({others})"
    if found.delay_stderr_s > 0.0:
        line += (
            f"; they are {1000 * found.delay_s:.0f} +/- {1000 * found.delay_stderr_s:.0f} ms late, which is in the "
            "errors of the dead times: say which they are, if you know"
        )
    return line


def _steps(count: int) -> str:
    return "1 step" if count == 1 else f"{count} steps"
