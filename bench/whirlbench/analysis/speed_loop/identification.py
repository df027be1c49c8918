"""Identify the speed loop of a run: steps fitted, models chosen, repeats pooled, and what cannot be used said.

Two passes. The first fits one lag to each step, only to learn how long the speed takes to settle. The second knows
then which stretches are holds, estimates the noise there, and fits the candidates to windows that begin settled.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import KINDS, find_steps
from whirlbench.analysis.speed_loop.model_choice import Choice
from whirlbench.analysis.speed_loop.noise import Noise, noise_of_holds
from whirlbench.analysis.speed_loop.pool import Pooled, pool
from whirlbench.analysis.speed_loop.record import Origin, SpeedRecord, speed_record
from whirlbench.analysis.speed_loop.step_result import StepResult, checked, first_model, holds_of, step_result
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run


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
    steps = tuple(checked(run, record, step, rig) for step in steps)
    firsts = [first_model(record, step) if not step.problem else None for step in steps]
    noise = noise_of_holds(holds_of(record, steps, firsts))
    results = tuple(step_result(run, rig, record, *pair, noise) for pair in zip(steps, firsts, strict=True))
    loop = SpeedLoop(results, (), noise, record.origin, record.averaged, _notes(record, results))
    if not loop.usable():
        raise AnalysisError(f"{_name(run)}: none of {_steps(len(results))} can be used: {_complaints(results)}")
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
        notes.append(f"{skipped} of {_steps(len(results))} left out; each says why")
    return tuple(notes)


def _steps(count: int) -> str:
    return "1 step" if count == 1 else f"{count} steps"
