"""The whole study of one run: drive identified, gains advised, spectra and interaction where they were recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whirlbench.analysis.governor.advice import Advice, Lever, advise, plausible_models
from whirlbench.analysis.governor.comparison import Comparison, compare
from whirlbench.analysis.governor.hunting import LimitCycle, Ringing, find_cycle, find_ringing
from whirlbench.analysis.governor.interaction import Interaction, interaction
from whirlbench.analysis.speed_loop import (
    KINDS,
    Agreement,
    FrequencyResponse,
    Kind,
    LoopModel,
    SpeedChannel,
    SpeedLoop,
    all_steps,
    compare_with_model,
    find_excitation,
    frequency_response,
    identify,
)
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run


@dataclass(frozen=True)
class Spectrum:
    """A measured frequency response with the step model's verdict; ``agreement`` None without steps of its kind."""

    measured: FrequencyResponse
    model: LoopModel | None
    agreement: Agreement | None


@dataclass(frozen=True)
class Study:
    """What a run says about the speed loop and the governor, for the ``rig`` it was studied with.

    ``loads`` are plausible answers of the speed to the lever that does not govern, by its kind. ``no_advice`` and
    ``no_interaction`` say why there is none, empty where there is one. ``cycle``, ``ringing``: what the governed
    holds tell of the closed loop, None where they do not. ``held_pitch_deg``, ``held_throttle_us``: where
    both levers stood before the first usable step of the governing one, None where that is not known.
    """

    loop: SpeedLoop
    advice: Advice | None
    loads: dict[Kind, tuple[LoopModel, ...]] = field(default_factory=dict)
    spectra: tuple[Spectrum, ...] = ()
    interaction: Interaction | None = None
    rig: Rig | None = None
    no_advice: str = ""
    no_interaction: str = ""
    held_pitch_deg: float | None = None
    held_throttle_us: float | None = None
    cycle: LimitCycle | None = None
    ringing: Ringing | None = None


def study(
    run: Run,
    rig: Rig | None = None,
    lever: Lever | None = None,
    closed_loop_time_s: float | None = None,
    channel: SpeedChannel | None = None,
) -> Study:
    """Everything about ``run``; raises as ``identify`` does, but where a governed hold swings or rings without a step.

    ``channel`` as there.
    ``lever``: the one that shall govern, throttle where its steps were recorded, else pitch, when None.
    ``closed_loop_time_s``: the knob of the advice, as there. A lever asked for without usable steps raises
    AnalysisError; left to choose, advice is None and ``no_advice`` says why.
    """
    loop = all_steps(run, rig, channel)
    cycle = find_cycle(run, loop.record, rig) if loop.record else None
    ringing = find_ringing(run, loop.record) if loop.record and cycle is None else None
    if not loop.usable() and cycle is None and ringing is None:
        loop = identify(run, rig, channel)  # says why not
    kinds = {pooled.kind for pooled in loop.pooled}
    chosen = lever or ("throttle" if "throttle" in kinds or "pitch" not in kinds else "pitch")
    advice = advise(loop, rig, chosen, closed_loop_time_s)
    if advice is None and lever is not None:
        raise AnalysisError(f"{run.source or 'the run'}: no usable {lever} step with its pulse: nothing to advise from")
    spectra = tuple(_spectra(run, loop))
    table, no_table = _interaction(run, loop)
    why = "" if advice else _why_no_advice(loop)
    pitch_deg = _held(run, loop, chosen, "pitch_deg") if rig is not None and rig.pitch.table else None
    throttle_us = _held(run, loop, chosen, "throttle_us")
    return Study(
        loop, advice, plausible_loads(loop), spectra, table, rig, why, no_table, pitch_deg, throttle_us, cycle, ringing
    )  # fmt: skip


def retuned(study: Study, closed_loop_time_s: float | None) -> Study:
    """``study`` with the advice for another closed-loop time, None for the rule's own; unchanged without advice."""
    if study.advice is None:
        return study
    return replace(study, advice=advise(study.loop, study.rig, study.advice.lever, closed_loop_time_s))


def compare_runs(study: Study, name: str, others: Sequence[tuple[str, Run, Rig | None]]) -> Comparison:
    """``study``, called ``name``, beside other runs with names and rigs; raises as ``identify`` and ``compare`` do."""
    return compare([(name, study.loop), *((other, identify(run, rig)) for other, run, rig in others)])


def _held(run: Run, loop: SpeedLoop, lever: Lever, channel: str) -> float | None:
    """Where ``channel`` stood before the first usable step of ``lever``; None where that is not known."""
    results = [result for result in loop.usable() if result.step.kind == lever]
    if not results:
        return None
    held = run.slow.between(results[0].step.at_s - 0.5, results[0].step.at_s).channel(channel)
    return float(np.nanmedian(held)) if np.isfinite(held).any() else None


def plausible_loads(loop: SpeedLoop) -> dict[Kind, tuple[LoopModel, ...]]:
    """Plausible answers of the speed to each lever that was stepped, in rpm per unit of it."""
    loads: dict[Kind, tuple[LoopModel, ...]] = {}
    for pooled in loop.pooled:
        results = [result for result in loop.usable() if result.step.kind == pooled.kind]
        loads[pooled.kind] = plausible_models(pooled, results)
    return loads


def _spectra(run: Run, loop: SpeedLoop) -> list[Spectrum]:
    found = []
    for kind in KINDS:
        span = find_excitation(run, kind)
        if span is None or (kind != "request" and find_excitation(run, "request") is not None):
            continue  # under a moving request the other levers are the governor's
        try:
            measured = frequency_response(run, kind, *span)
        except AnalysisError:
            continue
        pooled = next((one for one in loop.pooled if one.kind == kind), None)
        if pooled is None:
            found.append(Spectrum(measured, None, None))
            continue
        doubt = pooled.stderr()["gain"] / abs(pooled.model.gain)
        found.append(Spectrum(measured, pooled.model, compare_with_model(measured, pooled.model, 0.05 + 2.0 * doubt)))
    return found


def _interaction(run: Run, loop: SpeedLoop) -> tuple[Interaction | None, str]:
    try:
        return interaction(run, loop), ""
    except AnalysisError as error:
        return None, str(error)


def _why_no_advice(loop: SpeedLoop) -> str:
    if not loop.usable():
        return "no step that could be used is in the recording: record throttle steps with the governor off"
    if not loop.pooled:
        return "the speed came back after every usable step: something governs it already"
    if any(pooled.kind == "request" for pooled in loop.pooled):
        return (
            "the recording steps the request of something that governs already; compare its settings "
            "with each other, or record throttle steps with the governor off"
        )
    return "the pulses behind the steps were not recorded"
