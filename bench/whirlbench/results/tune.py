"""A study of the speed loop in words: steps and models, gains with their margins, what a re-test shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from whirlbench.analysis.governor import (
    WORDS,
    Advice,
    Comparison,
    Forecast,
    Spectrum,
    Study,
    Verdict,
    advise,
    compare,
    expected,
    plan_text,
    rig_lines,
    study,
)
from whirlbench.analysis.speed_loop import Kind, identify
from whirlbench.results.answer import Answer, Level, NotJudged, PlanOffer, Remark, figure
from whirlbench.results.labels import spoken
from whirlbench.results.tune_charts import forecast_charts, study_charts
from whirlbench.results.tune_document import tune_document
from whirlbench.results.tune_tables import tune_tables
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

__all__ = ["advise", "compare_runs", "study", "tune_answer"]

SUBJECT = "speed loop"
BEFORE_STEP_S = 0.5  # of the record in front of the first step, read for the blade angle of the re-test
RE_TEST = "the re-test of these gains"
AID = (
    "Gains are an aid to judgement: load them with the stand guarded, nobody in the plane of rotation, the isolating "
    "switch in reach, and prove them with the re-test before you rely on them."
)


def tune_answer(
    found: Study,
    run: Run,
    rig: Rig | None = None,
    verdicts: Sequence[Verdict] = (),
    comparison: Comparison | None = None,
) -> Answer:
    """``found`` of ``run`` in words, with the ``verdicts`` of a re-test and a ``comparison`` of settings."""
    forecasts = expected(found.advice, found.loads, np.random.default_rng(0), rig) if found.advice else {}
    return Answer(
        SUBJECT,
        _headline(found, verdicts),
        tables=tune_tables(found, comparison),
        charts=(*forecast_charts(found), *study_charts(found, tuple(verdicts))),
        remarks=tuple(_remarks(found, verdicts, comparison, forecasts)),
        not_judged=tuple(_not_judged(found)),
        document=tune_document(found, verdicts, comparison, forecasts),
        plan=_plan(found, run, rig),
    )


def compare_runs(run: Run, found: Study, other: Run, rig: Rig | None) -> Comparison:
    """The setting of ``run``, studied already, beside that of ``other``."""
    loops = [(Path(one.source).stem, loop) for one, loop in ((run, found.loop), (other, identify(other, rig)))]
    return compare(loops)


def _headline(study: Study, verdicts: Sequence[Verdict]) -> str:
    if verdicts:
        agreeing = sum(verdict.agrees for verdict in verdicts)
        return f"{agreeing} of {len(verdicts)} re-tested steps came out as predicted"
    usable = f"{len(study.loop.usable())} of {len(study.loop.steps)} steps usable"
    if study.advice is None:
        return f"{usable}; no gains advised"
    gains = f"kp {study.advice.kp:.4g} µs per rpm, ki {study.advice.ki:.4g} µs per rpm per second"
    return f"{usable}; {study.advice.lever} governor: {gains}"


def _not_judged(study: Study) -> Iterator[NotJudged]:
    for result in study.loop.steps:
        if result.problem:
            yield NotJudged(f"{result.step.kind} step at {result.step.at_s:.2f} s", result.problem)
    for text in study.remarks:
        what, told, why = text.partition(": ")
        if told and (what.startswith("no gains advised") or what.endswith("not told")):
            yield NotJudged("gains" if what.startswith("no gains") else "interaction of the levers", why)


def _remarks(
    study: Study, verdicts: Sequence[Verdict], comparison: Comparison | None, forecasts: Mapping[Kind, Forecast]
) -> Iterator[Remark]:
    for verdict in verdicts:
        yield Remark(Level.NOTE if verdict.agrees else Level.DANGER, spoken(verdict.line))
    for spectrum in study.spectra:
        differs = spectrum.agreement is not None and not spectrum.agreement.agrees
        yield Remark(Level.CAUTION if differs else Level.NOTE, _agreement(spectrum))
    if study.advice is not None or verdicts:
        yield Remark(Level.CAUTION, AID)
    yield from (Remark(Level.NOTE, text) for text in _notes(study, comparison, forecasts))


def _notes(study: Study, comparison: Comparison | None, forecasts: Mapping[Kind, Forecast]) -> Iterator[str]:
    yield from _forecast_lines(forecasts)
    yield from study.loop.notes
    if study.advice is not None:
        yield from (*study.advice.reasons, _reach(study.advice))
        yield f"for the rig file: {'; '.join(rig_lines(study.advice).splitlines())}"
    if study.interaction is not None:
        yield study.interaction.verdict
    if comparison is not None:
        yield comparison.line


def _forecast_lines(forecasts: Mapping[Kind, Forecast]) -> Iterator[str]:
    """What the re-test will show, one line a step."""
    for kind, forecast in forecasts.items():
        parts = [
            f"{WORDS[name][0]} {figure(band.nominal)} {WORDS[name][1]} ({figure(band.low)} to {_limit(band.high)})"
            for name, band in forecast.figures.items()
        ]
        yield f"expected of the {kind} step in the re-test: " + ", ".join(parts)


def _limit(value: float) -> str:
    return figure(value) if math.isfinite(value) else "beyond the hold"


def _reach(advice: Advice) -> str:
    return (
        f"request steps above {advice.largest_linear_step_rpm:.0f} rpm will show the slew limit of "
        f"{advice.law.rise_us_per_s:.0f} µs/s; tach noise moves the pulse by {advice.chatter_us:.2g} µs rms"
    )


def _agreement(spectrum: Spectrum) -> str:
    measured, agreement = spectrum.measured, spectrum.agreement
    hertz = measured.frequency_hz
    over = f"frequency response over {measured.kind}, {hertz[0]:.2g} to {hertz[-1]:.2g} Hz"
    if agreement is None:
        return f"{over}: no step of its kind to compare with"
    verdict = "agrees with" if agreement.agrees else "DIFFERS from"
    off = f"at most {100 * (agreement.largest_ratio - 1):.0f} % and {agreement.largest_phase_deg:.0f} degrees off"
    return f"{over}: {verdict} the step model on {100 * agreement.inside:.0f} % of the points ({off})"


def _plan(study: Study, run: Run, rig: Rig | None) -> PlanOffer:
    """The re-test with the blade angle that was held before the first usable step."""
    advice = study.advice
    if advice is None:
        lack = f"{run.source or 'the run'}: no gains were advised, so there is no re-test to plan"
        return PlanOffer(RE_TEST, "re-test.toml", remark=lack)
    first = next(result for result in study.loop.usable() if result.step.kind == advice.lever)
    held = run.slow.between(first.step.at_s - BEFORE_STEP_S, first.step.at_s).channel("pitch_deg")
    pitch = float(np.nanmedian(held)) if np.isfinite(held).any() and rig is not None and rig.pitch.table else None
    text = plan_text(advice, rig, pitch)
    return PlanOffer(RE_TEST, "re-test.toml", text, "load the gains first; the re-test is judged by this answer")
