"""The speed loop in words: steps and models, gains for the governor and how safe they are, the proof by a re-test."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.analysis.governor import (
    WORDS,
    WORST_SENSITIVITY,
    Advice,
    Comparison,
    Forecast,
    LawSettings,
    LimitCycle,
    Ringing,
    Spectrum,
    StabilityMargins,
    Study,
    Verdict,
    compare_runs,
    expected,
    plan_text,
    prove,
    re_test,
    retuned,
    rig_lines,
    rig_values,
    study,
)
from whirlbench.analysis.speed_loop import Kind, LoopModel
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import Answer, Level, NotJudged, PlanOffer, Remark, figure, listed, span, with_error
from whirlbench.results.labels import spoken
from whirlbench.results.tune.charts import tune_charts
from whirlbench.results.tune.tables import tune_document, tune_tables
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

__all__ = ["Study", "compare_runs", "gains_for_rig", "proof", "read_advice", "retuned", "study", "tune_answer"]

SUBJECT = "speed loop"
RE_TEST = "re-test of the governor"
DO_NOT_LOAD = "do not load these gains"
CAUTION = (
    "Gains are an aid to judgement: load them with the stand guarded, nobody in the plane of rotation, the isolating "
    "switch in reach, and prove them with the re-test before you rely on them."
)
CHATTER_US = 5.0  # rms of the pulse from tach noise alone that is worth a warning; our own choice
TACH_SEED = 0  # where in its turn each tach starts, in what the re-test is expected to show

Loads = dict[Kind, tuple[LoopModel, ...]]


def tune_answer(
    study: Study, verdicts: Sequence[Verdict] = (), comparison: Comparison | None = None, foretold: bool = True
) -> Answer:
    """``study`` in words, with the ``verdicts`` of a re-test and the ``comparison`` with other settings.

    ``foretold`` False leaves out what the re-test is expected to show, which takes long for a calm loop: a knob that
    is being turned cannot wait for it.
    """
    forecasts = _forecasts(study) if foretold else {}
    return Answer(
        SUBJECT,
        _headline(study, verdicts),
        tables=tuple(tune_tables(study, verdicts, comparison)),
        charts=tuple(tune_charts(study, verdicts)),
        remarks=tuple(_remarks(study, verdicts, comparison, forecasts)),
        not_judged=tuple(_not_judged(study)),
        document=tune_document(study, verdicts, comparison, forecasts, tuple(_reasons(study))),
        plan=_plan(study),
    )


def _forecasts(study: Study) -> dict[Kind, Forecast]:
    """What the re-test will show; empty where there are no gains to load for one."""
    if study.advice is None or not study.advice.loadable:
        return {}
    return expected(study.advice, study.loads, np.random.default_rng(TACH_SEED), study.rig)


def _headline(study: Study, verdicts: Sequence[Verdict]) -> str:
    if verdicts:
        agreeing = sum(verdict.agrees for verdict in verdicts)
        apart = [f"{one.step.kind} at {one.step.at_s:.2f} s" for one in verdicts if not one.agrees]
        differs = f"; DIFFERS from the prediction: {listed(apart)}" if apart else ""
        return f"{agreeing} of {len(verdicts)} re-tested steps came out as predicted{differs}"
    if study.cycle is not None and not study.loop.usable():
        return f"the governed speed swings by itself: {_swing(study.cycle)}"
    if study.ringing is not None and not study.loop.usable():
        return _ring(study.ringing)
    usable = f"{len(study.loop.usable())} of {len(study.loop.steps)} steps usable"
    advice = study.advice
    if advice is None:
        return f"{usable}; no gains advised"
    if not advice.loadable:
        return f"{usable}; {advice.lever} governor: {DO_NOT_LOAD}"
    kp, ki = (f"{low:.3g} to {high:.3g}" for low, high in advice.spread())
    gains = f"kp {advice.kp:.4g} µs/rpm ({kp}), ki {advice.ki:.4g} µs/rpm/s ({ki})"
    return f"{usable}; {advice.lever} governor: {gains}"


def _remarks(
    study: Study, verdicts: Sequence[Verdict], comparison: Comparison | None, forecasts: Mapping[Kind, Forecast]
) -> Iterator[Remark]:
    for verdict in verdicts:
        yield Remark(Level.NOTE if verdict.agrees else Level.DANGER, verdict.line)
    if study.cycle is not None:
        yield Remark(Level.DANGER, _cycle_line(study.cycle))
    if study.ringing is not None:
        yield Remark(Level.NOTE, _ring(study.ringing))
    if study.advice is not None:
        yield from _doubts(study, study.advice)
    if study.interaction is not None:
        yield Remark(Level.NOTE if study.interaction.harmless else Level.CAUTION, study.interaction.verdict)
    yield from map(_agreement, study.spectra)
    if study.advice is not None or verdicts:
        yield Remark(Level.CAUTION, CAUTION)
    yield from (Remark(Level.NOTE, text) for text in _notes(study, forecasts))
    if comparison is not None:
        yield Remark(Level.NOTE, spoken(comparison.line))


HELD_BACK = (
    "; a swing that no longer grows is held back by the end of some range: the gains set have a smaller margin than "
    "those that acted, so that less than this may be needed; record again after each cut"
)


def _swing(cycle: LimitCycle) -> str:
    """A limit cycle in figures."""
    size = with_error(cycle.amplitude_rpm, cycle.amplitude_stderr_rpm)
    hertz = with_error(cycle.frequency_hz, cycle.frequency_stderr_hz)
    return f"{size} rpm zero to peak at {hertz} Hz, and {cycle.course} ({span(cycle.from_s, cycle.to_s, 1)} s)"


def _cycle_line(cycle: LimitCycle) -> str:
    """What a limit cycle means for the gains; a cycle that only grows slowly is as much one."""
    line = (
        f"the governed speed swings by itself, {_swing(cycle)}: the gains that acted have a gain margin of "
        f"{cycle.gain_margin:.2f}; for one of 2, both have to be at most {cycle.gain_margin / 2.0:.2f} times as large"
    )
    if cycle.lever is None:
        line += "; no pulse of the bench swings, so the speed controller's own governor does it"
        return line + ("" if cycle.course == "grows" else HELD_BACK)
    line += (
        f"; the {cycle.lever} pulse swings by {cycle.pulse_us:.1f} µs (kp {cycle.acted_kp:.3g} µs/rpm, ki "
        f"{cycle.acted_ki:.3g} µs/rpm/s acted), to which the drive answers with {cycle.drive_rpm_per_us:.3g} rpm/µs"
    )
    if math.isfinite(cycle.loaded_gain_margin):
        return line + f"; the gains in the rig have a gain margin of {cycle.loaded_gain_margin:.2f}"
    return line + ("" if cycle.course == "grows" else HELD_BACK)


def _ring(ringing: Ringing) -> str:
    return (
        f"the closed loop rings at {with_error(ringing.natural_hz, ringing.natural_stderr_hz)} Hz with a damping ratio "
        f"of {with_error(ringing.damping_ratio, ringing.damping_stderr)}, by what gusts do in the hold "
        f"{span(ringing.from_s, ringing.to_s, 1)} s"
    )


def _doubts(study: Study, advice: Advice) -> Iterator[Remark]:
    """What speaks against the gains, or for others."""
    pooled = next(one for one in study.loop.pooled if one.kind == advice.lever)
    if not advice.loadable:
        swing = "within the uncertainty there is a drive that these gains would make swing"
        yield Remark(Level.DANGER, f"{swing}: {DO_NOT_LOAD}")
    elif advice.worst.max_sensitivity > WORST_SENSITIVITY:
        tight = f"the least favourable drive has a sensitivity of {advice.worst.max_sensitivity:.2f}: tight"
        yield Remark(Level.CAUTION, tight)
    if pooled.unlike():
        yield Remark(
            Level.CAUTION,
            f"the {pooled.steps} steps do not share one model (their scatter is {pooled.disagreement:.1f} times what "
            "noise allows): the drive is not linear over them, so every single one was counted in the worst case",
        )
    if pooled.steps == 1:
        single = "a single step: its standard errors do not know how the next one would differ; record repeats"
        yield Remark(Level.CAUTION, single)
    if advice.chatter_us > CHATTER_US:
        chatter = f"tach noise alone will move the pulse by {advice.chatter_us:.1f} µs rms: choose a longer time"
        yield Remark(Level.CAUTION, chatter)
    if advice.derivative is not None:
        pays = "a second lag is longer than the dead time: derivative action would pay, the device has none"
        yield Remark(Level.NOTE, pays)


def _reasons(study: Study) -> Iterator[str]:
    """Why the advice is what it is, and what speaks against it."""
    if study.advice is not None:
        yield from study.advice.reasons
        yield from (doubt.text for doubt in _doubts(study, study.advice))


def _notes(study: Study, forecasts: Mapping[Kind, Forecast]) -> Iterator[str]:
    for kind, found in forecasts.items():
        yield f"expected of the {kind} step in the re-test: {_figures(found)}"
    advice = study.advice
    if advice is not None:
        yield from advice.reasons
        yield (
            f"request steps above {advice.largest_linear_step_rpm:.0f} rpm will show the slew limit of "
            f"{advice.law.rise_us_per_s:.0f} µs/s; tach noise moves the pulse by {advice.chatter_us:.2g} µs rms"
        )
        if advice.loadable:
            keys = rig_lines(advice).splitlines()[1:]
            yield "for the rig file: " + "; ".join(f"governor.{line}" for line in keys)
    yield from study.loop.notes
    if study.no_interaction:
        yield f"interaction of the levers not told: {study.no_interaction}"


def _figures(found: Forecast) -> str:
    parts = []
    for name, band in found.figures.items():
        word, unit = WORDS[name]
        greatest = figure(band.high) if math.isfinite(band.high) else "beyond the hold"
        parts.append(f"{word} {figure(band.nominal)} {unit} ({figure(band.low)} to {greatest})")
    return ", ".join(parts)


def _agreement(spectrum: Spectrum) -> Remark:
    measured, agreement = spectrum.measured, spectrum.agreement
    span = f"{measured.frequency_hz[0]:.2g} to {measured.frequency_hz[-1]:.2g} Hz"
    text = f"frequency response over {measured.kind}, {span}: "
    if agreement is None:
        return Remark(Level.NOTE, text + "no step of its kind to compare with")
    verdict = "agrees with" if agreement.agrees else "DIFFERS from"
    off = f"at most {100 * (agreement.largest_ratio - 1):.0f} % and {agreement.largest_phase_deg:.0f} degrees off"
    text += f"{verdict} the step model on {100 * agreement.inside:.0f} % of the points ({off})"
    return Remark(Level.NOTE if agreement.agrees else Level.CAUTION, text)


def _not_judged(study: Study) -> Iterator[NotJudged]:
    if study.advice is None:
        yield NotJudged("gains for the governor", study.no_advice)
    for result in study.loop.steps:
        if result.problem:
            yield NotJudged(f"{result.step.kind} step at {result.step.at_s:.2f} s", result.problem)


def _plan(study: Study) -> PlanOffer:
    """The re-test that proves the gains, or why there is none."""
    file_name, advice = "re-test.toml", study.advice
    if advice is None:
        return PlanOffer(RE_TEST, file_name, remark="no gains were advised, so there is no re-test to plan")
    if not advice.loadable:
        return PlanOffer(RE_TEST, file_name, remark=f"{DO_NOT_LOAD}: there is no re-test of them")
    try:
        text = plan_text(advice, study.rig, study.held_pitch_deg, study.held_throttle_us)
    except AnalysisError as error:
        return PlanOffer(RE_TEST, file_name, remark=str(error))
    test = re_test(advice, study.rig)
    remark = f"load the gains first; steps of {test.step_rpm} rpm at {test.speed_rpm} rpm, each held {test.hold_s:g} s"
    return PlanOffer(RE_TEST, file_name, text, remark)


def gains_for_rig(study: Study) -> dict[str, str | float]:
    """Rig keys and values that load the advised gains; AnalysisError where there are none to load."""
    if study.advice is None:
        raise AnalysisError(f"no gains were advised, so none are written: {study.no_advice}")
    if not study.advice.loadable:
        raise AnalysisError(f"{DO_NOT_LOAD}: none are written")
    return rig_values(study.advice)


def proof(run: Run, rig: Rig | None, earlier: tuple[Advice, Loads]) -> tuple[Verdict, ...]:
    """How ``run``, a re-test, came out beside what ``earlier``, from ``read_advice``, predicts; raises as ``prove``."""
    advice, loads = earlier
    return prove(run, advice, np.random.default_rng(TACH_SEED), next(iter(loads.values()), ()), rig)


def read_advice(path: Path) -> tuple[Advice, Loads]:
    """The advice in what ``tune --json`` printed before, with the loads.

    AnalysisError names what is missing, and refuses gains that must not be loaded.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        advice, loads = _advice_in(found["advice"])
    except (OSError, ValueError) as error:
        raise AnalysisError(f"{path}: cannot be read as what tune --json prints: {error}") from error
    except (KeyError, TypeError) as error:
        raise AnalysisError(f"{path}: holds no advice to judge a re-test by (missing: {error})") from error
    if not advice.loadable:
        raise AnalysisError(f"{path}: {DO_NOT_LOAD}: there is no re-test to be judged by them")
    return advice, loads


def _advice_in(found: Mapping[str, Any]) -> tuple[Advice, Loads]:
    worst = StabilityMargins(**_numbers(found["worst_case"]))
    names = ("gain_margin", "phase_margin_deg", "max_sensitivity", "delay_margin_s")
    nominal = StabilityMargins(
        max_complementary=math.nan, crossover_rad_s=math.nan, **_numbers({name: found[name] for name in names})
    )
    advice = Advice(
        lever=found["lever"], rule=found["rule"], kp=found["kp"], ki=found["ki"],
        closed_loop_time_s=found["closed_loop_time_s"], loop_dead_time_s=found["loop_dead_time_s"],
        nominal=nominal, worst=worst, models=_models_in(found["models"]), extra_delay_s=found["extra_delay_s"],
        speed_rpm=found["speed_rpm"], pulse_us=found["pulse_us"], law=LawSettings(**found["law"]), derivative=None,
        largest_linear_step_rpm=found["largest_linear_step_rpm"], chatter_us=found["chatter_us"],
    )  # fmt: skip
    return advice, {kind: _models_in(models) for kind, models in found["loads"].items()}


def _numbers(found: Mapping[str, Any]) -> dict[str, float]:
    """Stability margins; null is an unbounded gain margin, and unknown in all others."""
    unknown = {name: math.inf if name == "gain_margin" else math.nan for name in found}
    return {name: unknown[name] if value is None else float(value) for name, value in found.items()}


def _models_in(found: Sequence[Mapping[str, Any]]) -> tuple[LoopModel, ...]:
    return tuple(LoopModel(**model) for model in found)
