"""The whole study of one run: drive identified, gains advised, spectra and interaction where they were recorded."""

from __future__ import annotations

from dataclasses import dataclass, field

from whirlbench.analysis.governor.advice import Advice, Lever, advise, plausible_models
from whirlbench.analysis.governor.interaction import Interaction, interaction
from whirlbench.analysis.speed_loop import (
    KINDS,
    Agreement,
    FrequencyResponse,
    Kind,
    LoopModel,
    SpeedLoop,
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
    """What a run says about the speed loop and the governor; ``remarks`` are plain lines on what could not be said.

    ``loads`` are plausible answers of the speed to the lever that does not govern, by its kind.
    """

    loop: SpeedLoop
    advice: Advice | None
    loads: dict[Kind, tuple[LoopModel, ...]] = field(default_factory=dict)
    spectra: tuple[Spectrum, ...] = ()
    interaction: Interaction | None = None
    remarks: tuple[str, ...] = ()


def study(
    run: Run, rig: Rig | None = None, lever: Lever | None = None, closed_loop_time_s: float | None = None
) -> Study:
    """Everything about ``run``; raises as ``identify`` does.

    ``lever``: the one that shall govern, throttle where its steps were recorded, else pitch, when None.
    ``closed_loop_time_s``: the knob of the advice, as there. A lever asked for without usable steps raises
    AnalysisError; left to choose, advice is None and a remark says why.
    """
    loop = identify(run, rig)
    kinds = {pooled.kind for pooled in loop.pooled}
    chosen = lever or ("throttle" if "throttle" in kinds or "pitch" not in kinds else "pitch")
    advice = advise(loop, rig, chosen, closed_loop_time_s)
    if advice is None and lever is not None:
        raise AnalysisError(f"{run.source or 'the run'}: no usable {lever} step with its pulse: nothing to advise from")
    spectra = tuple(_spectra(run, loop))
    table, remarks = _interaction(run, loop)
    if advice is None:
        remarks += (_why_no_advice(loop),)
    return Study(loop, advice, plausible_loads(loop), spectra, table, (*loop.notes, *remarks))


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


def _interaction(run: Run, loop: SpeedLoop) -> tuple[Interaction | None, tuple[str, ...]]:
    try:
        return interaction(run, loop), ()
    except AnalysisError as error:
        return None, (f"interaction of the levers not told: {error}",)


def _why_no_advice(loop: SpeedLoop) -> str:
    if any(pooled.kind == "request" for pooled in loop.pooled):
        return (
            "no gains advised: the recording steps the request of something that governs already; compare its settings "
            "with each other, or record throttle steps with the governor off"
        )
    return "no gains advised: the pulses behind the steps were not recorded"
