"""What is shown of a speed-loop study, as plain data: tables, charts as arrays, verdict lines. No Qt, no drawing.

The window and the command line both show exactly this.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.governor import WORDS, Advice, Comparison, Forecast, Spectrum, Study, Verdict, rig_lines
from whirlbench.analysis.speed_loop import Curve, Kind, StepResult, sampled_answer
from whirlbench.window.pages.tune_tables import GAIN_UNITS, Table, form_words, number, tune_tables

CAUTION = (
    "Gains are an aid to judgement: load them with the stand guarded, nobody in the plane of rotation, the isolating "
    "switch in reach, and prove them with the re-test before you rely on them."
)


@dataclass(frozen=True)
class Line:
    """A curve, ``x`` and ``y`` ``(n,)``; ``measured`` ones are drawn as such, the others are models."""

    label: str
    x: np.ndarray
    y: np.ndarray
    measured: bool = False


@dataclass(frozen=True)
class Chart:
    """Curves over a common axis, with an optional band (x, low, high)."""

    title: str
    x_label: str
    y_label: str
    lines: tuple[Line, ...]
    band: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None
    logarithmic: bool = False


@dataclass(frozen=True)
class TuneState:
    """Everything to be shown; ``heading`` is the outcome in one line."""

    heading: str
    tables: tuple[Table, ...]
    charts: tuple[Chart, ...]
    lines: tuple[str, ...]


def tune_state(study: Study, verdicts: Sequence[Verdict] = (), comparison: Comparison | None = None) -> TuneState:
    """``study`` and what belongs to it, ready to be shown."""
    charts = [_step_chart(result) for result in study.loop.steps if result.curve is not None]
    charts += [chart for spectrum in study.spectra for chart in _spectrum_charts(spectrum)]
    charts += [_proof_chart(verdict) for verdict in verdicts]
    return TuneState(
        _heading(study, verdicts),
        tune_tables(study, comparison),
        tuple(charts),
        tuple(_lines(study, verdicts, comparison)),
    )


def _heading(study: Study, verdicts: Sequence[Verdict]) -> str:
    if verdicts:
        agreeing = sum(verdict.agrees for verdict in verdicts)
        return f"{agreeing} of {len(verdicts)} re-tested steps came out as predicted"
    usable = f"{len(study.loop.usable())} of {len(study.loop.steps)} steps usable"
    if study.advice is None:
        return f"{usable}; no gains advised"
    return f"{usable}; {study.advice.lever} governor: kp {study.advice.kp:.4g}, ki {study.advice.ki:.4g}"


def _step_chart(result: StepResult) -> Chart:
    assert result.curve is not None
    curve, step = _known(result.curve), result.step
    lines = [Line("measured", curve.since_s, curve.speed_rpm, measured=True)]
    if result.choice is not None:
        fit = result.choice.fit
        answer, _ = sampled_answer(fit.model, curve.since_s, step.ramp_s, averaged=False)
        base = fit.before_rpm[0] + fit.drift_rpm_per_s[0] * curve.since_s
        lines.append(Line(form_words(fit.model), curve.since_s, base + fit.model.gain * step.change * answer))
    return Chart(f"{step.kind} step at {step.at_s:.2f} s", "s since the step", "rpm", tuple(lines))


def _known(curve: Curve) -> Curve:
    """``curve`` without the ends where nothing was recorded."""
    known = np.isfinite(curve.speed_rpm)
    return Curve(curve.since_s[known], curve.speed_rpm[known], curve.width_s)


def _spectrum_charts(spectrum: Spectrum) -> list[Chart]:
    measured, kind = spectrum.measured, spectrum.measured.kind
    size = [Line("measured", measured.frequency_hz, measured.size, measured=True)]
    phase = [Line("measured", measured.frequency_hz, measured.phase_deg, measured=True)]
    if spectrum.model is not None:
        expected = spectrum.model.frequency_response(2.0 * math.pi * measured.frequency_hz)
        size.append(Line("step model", measured.frequency_hz, np.abs(expected)))
        phase.append(Line("step model", measured.frequency_hz, np.degrees(np.unwrap(np.angle(expected)))))
    band = (measured.frequency_hz, measured.size_low, measured.size_high)
    phase_deg, doubt = measured.phase_deg, measured.phase_error_deg
    turned = (measured.frequency_hz, phase_deg - doubt, phase_deg + doubt)
    coherence = Line("coherence", measured.frequency_hz, measured.coherence, measured=True)
    return [
        Chart(f"speed over {kind}", "Hz", GAIN_UNITS[kind], tuple(size), band, logarithmic=True),
        Chart(f"phase of speed over {kind}", "Hz", "degrees", tuple(phase), turned, logarithmic=True),
        Chart(f"coherence of speed and {kind}", "Hz", "", (coherence,), logarithmic=True),
    ]


def _proof_chart(verdict: Verdict) -> Chart:
    forecast, curve = verdict.forecast, _known(verdict.curve)
    quiet = curve.since_s < 0.0
    before = float(np.mean(curve.speed_rpm[quiet])) if quiet.any() else 0.0
    lines = (
        Line("re-test", curve.since_s, curve.speed_rpm - before, measured=True),
        Line("predicted", forecast.since_s, forecast.nominal_rpm),
    )
    title = f"{verdict.step.kind} step at {verdict.step.at_s:.2f} s: " + (
        "as predicted" if verdict.agrees else "NOT as predicted"
    )
    band = (forecast.since_s, forecast.low_rpm, forecast.high_rpm)
    return Chart(title, "s since the step", "rpm from before", lines, band)


def _lines(study: Study, verdicts: Sequence[Verdict], comparison: Comparison | None) -> list[str]:
    lines = [_heading(study, verdicts), *study.remarks]
    lines += [f"{r.step.kind} step at {r.step.at_s:.2f} s: {r.problem}" for r in study.loop.steps if r.problem]
    if study.advice is not None:
        advice = study.advice
        lines += [*advice.reasons, _reach(advice), "for the rig file:", *rig_lines(advice).rstrip().split("\n")]
    lines += [_agreement(spectrum) for spectrum in study.spectra]
    if study.interaction is not None:
        lines.append(study.interaction.verdict)
    if comparison is not None:
        lines.append(comparison.line)
    lines += [verdict.line for verdict in verdicts]
    if study.advice is not None or verdicts:
        lines.append(CAUTION)
    return lines


def forecast_lines(forecasts: Mapping[Kind, Forecast]) -> list[str]:
    """What the re-test will show, one line a step."""
    lines = []
    for kind, forecast in forecasts.items():
        parts = [
            f"{WORDS[name][0]} {number(band.nominal)} {WORDS[name][1]} ({number(band.low)} to {_limit(band.high)})"
            for name, band in forecast.figures.items()
        ]
        lines.append(f"expected of the {kind} step in the re-test: " + ", ".join(parts))
    return lines


def _limit(value: float) -> str:
    return number(value) if math.isfinite(value) else "beyond the hold"


def _reach(advice: Advice) -> str:
    return (
        f"request steps above {advice.largest_linear_step_rpm:.0f} rpm will show the slew limit of "
        f"{advice.law.rise_us_per_s:.0f} us/s; tach noise moves the pulse by {advice.chatter_us:.2g} us rms"
    )


def _agreement(spectrum: Spectrum) -> str:
    measured = spectrum.measured
    span = f"{measured.frequency_hz[0]:.2g} to {measured.frequency_hz[-1]:.2g} Hz"
    if spectrum.agreement is None:
        return f"frequency response over {measured.kind}, {span}: no step of its kind to compare with"
    agreement = spectrum.agreement
    verdict = "agrees with" if agreement.agrees else "DIFFERS from"
    off = f"at most {100 * (agreement.largest_ratio - 1):.0f} % and {agreement.largest_phase_deg:.0f} degrees off"
    return (
        f"frequency response over {measured.kind}, {span}: {verdict} the step model on "
        f"{100 * agreement.inside:.0f} % of the points ({off})"
    )
