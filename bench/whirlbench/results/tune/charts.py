"""Charts of a speed-loop study as plain data: answers to steps, spectra, proofs, forecasts under the advised gains."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from whirlbench.analysis.governor import Advice, Reading, Spectrum, Study, Verdict, forecast
from whirlbench.analysis.speed_loop import Curve as SpeedCurve
from whirlbench.analysis.speed_loop import Kind, Step, StepResult, sampled_answer
from whirlbench.results.chart import Band, Chart, Curve
from whirlbench.results.tune.tables import GAIN_UNITS, NOT_USED, form_words

SINCE = "time since the step (s)"
FROM_BEFORE = "speed from before (rpm)"
FREQUENCY = "frequency (Hz)"
REQUEST_RPM = 100.0
STEP_CAPTION = "Measured, and the model that was fitted to it: what they share is what the gains rest on."
SPECTRUM_CAPTION = "Where the band is wide, this frequency was hardly excited and little is known."
BAND_CAPTION = "The band is what the uncertainty of the models leaves open."
OTHER_STEP: dict[Kind, float] = {"pitch": 1.0, "throttle": 20.0}
OTHER_WORDS: dict[Kind, str] = {"pitch": "pitch up by 1 degree", "throttle": "throttle opened by 20 µs"}
SHOWN_TIMES, SHORTEST_S = 12.0, 1.0  # how long is shown, in closed-loop times and at least
TACH_SEED = 0  # where in its turn each tach starts; charts must not flicker while the knob turns


def tune_charts(study: Study, verdicts: Sequence[Verdict]) -> Iterator[Chart]:
    """Forecasts under the advice, every step with its model, spectra, and each re-tested step over its prediction."""
    if study.advice is not None and study.advice.loadable:
        yield from _forecast_charts(study, study.advice)
    for number, result in enumerate(study.loop.steps, start=1):
        if result.curve is not None:
            yield _step_chart(f"step {number}", result, result.curve)
    for spectrum in study.spectra:
        yield from _spectrum_charts(spectrum)
    for number, verdict in enumerate(verdicts, start=1):
        yield _proof_chart(f"proof {number}", verdict)


def _step_chart(key: str, result: StepResult, found: SpeedCurve) -> Chart:
    curve, step = _known(found), result.step
    curves = [Curve(curve.since_s, curve.speed_rpm, "measured", "measured")]
    if result.choice is not None and not result.problem:
        fit = result.choice.fit
        answer, _ = sampled_answer(fit.model, curve.since_s, step.ramp_s, averaged=False)
        base = fit.before_rpm[0] + fit.drift_rpm_per_s[0] * curve.since_s
        speed = base + fit.model.gain * step.change * answer
        curves.append(Curve(curve.since_s, speed, form_words(fit.model), "model"))
    title = f"{step.kind} step at {step.at_s:.2f} s" + (f", {NOT_USED}" if result.problem else "")
    return Chart(title, SINCE, "speed (rpm)", tuple(curves), key=key, caption=STEP_CAPTION)


def _known(curve: SpeedCurve) -> SpeedCurve:
    """``curve`` without the ends where nothing was recorded."""
    known = np.isfinite(curve.speed_rpm)
    return SpeedCurve(curve.since_s[known], curve.speed_rpm[known], curve.width_s)


def _spectrum_charts(spectrum: Spectrum) -> Iterator[Chart]:
    measured, kind = spectrum.measured, spectrum.measured.kind
    hertz, phase, doubt = measured.frequency_hz, measured.phase_deg, measured.phase_error_deg
    expected = spectrum.model.frequency_response(2.0 * math.pi * hertz) if spectrum.model is not None else None
    size_model = None if expected is None else np.abs(expected)
    phase_model = None if expected is None else np.degrees(np.unwrap(np.angle(expected)))
    for key, title, y_label, values, model, band in (
        ("size", f"speed over {kind}", f"gain ({GAIN_UNITS[kind]})", measured.size, size_model,
         Band(hertz, measured.size_low, measured.size_high, "model", "uncertainty")),
        ("phase", f"phase of speed over {kind}", "phase (deg)", phase, phase_model,
         Band(hertz, phase - doubt, phase + doubt, "model", "uncertainty")),
        ("coherence", f"coherence of speed and {kind}", "coherence", measured.coherence, None, None),
    ):  # fmt: skip
        curves = [Curve(hertz, values, "measured", "measured")]
        if model is not None:
            curves.append(Curve(hertz, model, "step model", "model"))
        bands = () if band is None else (band,)
        yield Chart(
            title,
            FREQUENCY,
            y_label,
            tuple(curves),
            bands,
            logarithmic=True,
            key=f"{kind} {key}",
            caption=SPECTRUM_CAPTION,
        )


def _proof_chart(key: str, verdict: Verdict) -> Chart:
    predicted, curve = verdict.forecast, _known(verdict.curve)
    quiet = curve.since_s < 0.0
    before = float(np.mean(curve.speed_rpm[quiet])) if quiet.any() else 0.0
    outcome = "as predicted" if verdict.agrees else "NOT as predicted"
    return Chart(
        f"{verdict.step.kind} step at {verdict.step.at_s:.2f} s: {outcome}",
        SINCE,
        FROM_BEFORE,
        curves=(
            Curve(curve.since_s, curve.speed_rpm - before, "re-test", "measured"),
            Curve(predicted.since_s, predicted.nominal_rpm, "predicted", "model"),
        ),
        bands=(Band(predicted.since_s, predicted.low_rpm, predicted.high_rpm, "model", "uncertainty"),),
        key=key,
        caption=BAND_CAPTION,
    )


def _forecast_charts(study: Study, advice: Advice) -> Iterator[Chart]:
    """What the gains will do: a step of the request, and one of the other lever where that was stepped too.

    Always the same steps, slew limits and all, so that answers can be compared while the knob turns.
    """
    yield _forecast_chart(f"request up by {REQUEST_RPM:.0f} rpm", advice, _step("request", REQUEST_RPM, advice), study)
    other: Kind = "throttle" if advice.lever == "pitch" else "pitch"
    if study.loads.get(other):
        yield _forecast_chart(OTHER_WORDS[other], advice, _step(other, OTHER_STEP[other], advice), study)


def _step(kind: Kind, change: float, advice: Advice) -> Step:
    after_s = max(SHOWN_TIMES * (advice.closed_loop_time_s + advice.loop_dead_time_s), SHORTEST_S)
    return Step(kind, 0.0, 0.0, 0.0, change, 1.0, after_s)


def _forecast_chart(words: str, advice: Advice, step: Step, study: Study) -> Chart:
    loads = study.loads.get(step.kind, ()) if step.kind != "request" else ()
    rng = np.random.default_rng(TACH_SEED)
    found = forecast(advice, step, Reading(), advice.speed_rpm, advice.pulse_us, rng, loads)
    return Chart(
        f"forecast: {words}",
        SINCE,
        FROM_BEFORE,
        curves=(Curve(found.since_s, found.nominal_rpm, "common model", "model"),),
        bands=(Band(found.since_s, found.low_rpm, found.high_rpm, "model", "uncertainty"),),
        key=f"forecast {step.kind}",
        caption=BAND_CAPTION,
    )
