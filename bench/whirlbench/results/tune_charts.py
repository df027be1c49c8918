"""Charts of a speed-loop study: measured answers under their models, spectra, proofs, and what gains will do."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.governor import Advice, Forecast, Reading, Spectrum, Study, Verdict, forecast
from whirlbench.analysis.speed_loop import Curve as SpeedCurve
from whirlbench.analysis.speed_loop import Kind, Step, StepResult, sampled_answer
from whirlbench.results.chart import Band, Chart, Curve
from whirlbench.results.tune_tables import GAIN_UNITS, form_words

REQUEST_RPM = 100.0
OTHER_STEP: dict[Kind, float] = {"pitch": 1.0, "throttle": 20.0}
OTHER_WORDS: dict[Kind, str] = {"pitch": "pitch greater by 1 degree", "throttle": "throttle opened by 20 µs"}
SHOWN_TIMES, SHORTEST_S = 12.0, 1.0  # how long is shown, in closed-loop times and at least
TACH_SEED = 0  # where in its turn each tach starts; charts must not flicker while the knob turns
SINCE, MOVED = "time since the step (s)", "speed from before (rpm)"


def study_charts(study: Study, verdicts: tuple[Verdict, ...]) -> Iterator[Chart]:
    """Every step with a curve, every spectrum, every re-tested step."""
    measured = [result for result in study.loop.steps if result.curve is not None]
    for number, result in enumerate(measured, start=1):
        yield _step_chart(result, f"step {number}")
    for spectrum in study.spectra:
        yield from _spectrum_charts(spectrum)
    for number, verdict in enumerate(verdicts, start=1):
        yield _proof_chart(verdict, f"proof {number}")


def _step_chart(result: StepResult, key: str) -> Chart:
    assert result.curve is not None
    curve, step = _known(result.curve), result.step
    curves = [Curve(curve.since_s, curve.speed_rpm, "measured", "measured")]
    if result.choice is not None:
        fit = result.choice.fit
        answer, _ = sampled_answer(fit.model, curve.since_s, step.ramp_s, averaged=False)
        base = fit.before_rpm[0] + fit.drift_rpm_per_s[0] * curve.since_s
        curves.append(
            Curve(curve.since_s, base + fit.model.gain * step.change * answer, form_words(fit.model), "model")
        )
    return Chart(f"{step.kind} step at {step.at_s:.2f} s", SINCE, "speed (rpm)", tuple(curves), key=key)


def _known(curve: SpeedCurve) -> SpeedCurve:
    """``curve`` without the ends where nothing was recorded."""
    known = np.isfinite(curve.speed_rpm)
    return SpeedCurve(curve.since_s[known], curve.speed_rpm[known], curve.width_s)


def _spectrum_charts(spectrum: Spectrum) -> Iterator[Chart]:
    measured, kind = spectrum.measured, spectrum.measured.kind
    hertz = measured.frequency_hz
    size = [Curve(hertz, measured.size, "measured", "measured")]
    phase = [Curve(hertz, measured.phase_deg, "measured", "measured")]
    if spectrum.model is not None:
        expected = spectrum.model.frequency_response(2.0 * math.pi * hertz)
        size.append(Curve(hertz, np.abs(expected), "step model", "model"))
        phase.append(Curve(hertz, np.degrees(np.unwrap(np.angle(expected))), "step model", "model"))
    size_band = Band(hertz, measured.size_low, measured.size_high, "model", "95 %")
    doubt = measured.phase_error_deg
    phase_band = Band(hertz, measured.phase_deg - doubt, measured.phase_deg + doubt, "model", "95 %")
    coherence = Curve(hertz, measured.coherence, "coherence", "measured")
    for title, unit, curves, bands in (
        (f"speed over {kind}", GAIN_UNITS[kind], tuple(size), (size_band,)),
        (f"phase of speed over {kind}", "degrees", tuple(phase), (phase_band,)),
        (f"coherence of speed and {kind}", "share", (coherence,), ()),
    ):
        yield Chart(title, "frequency (Hz)", unit, curves, bands, logarithmic=True, key=title)


def _proof_chart(verdict: Verdict, key: str) -> Chart:
    found, curve = verdict.forecast, _known(verdict.curve)
    quiet = curve.since_s < 0.0
    before = float(np.mean(curve.speed_rpm[quiet])) if quiet.any() else 0.0
    curves = (
        Curve(curve.since_s, curve.speed_rpm - before, "re-test", "measured"),
        Curve(found.since_s, found.nominal_rpm, "predicted", "model"),
    )
    outcome = "as predicted" if verdict.agrees else "NOT as predicted"
    title = f"{verdict.step.kind} step at {verdict.step.at_s:.2f} s: {outcome}"
    return Chart(title, SINCE, MOVED, curves, (_doubt(found),), key=key)


def _doubt(found: Forecast) -> Band:
    return Band(found.since_s, found.low_rpm, found.high_rpm, "model", "all plausible drives")


def forecast_charts(study: Study) -> Iterator[Chart]:
    """What the advised gains will do: a step of the request and, where it was stepped, one of the other lever."""
    advice = study.advice
    if advice is None:
        return
    other: Kind = "throttle" if advice.lever == "pitch" else "pitch"
    # always the same step, slew limits and all, so that answers can be compared while the knob turns
    request = _step("request", REQUEST_RPM, advice)
    yield _forecast_chart(f"forecast: request up by {REQUEST_RPM:.0f} rpm", advice, request, study)
    if study.loads.get(other):
        step = _step(other, OTHER_STEP[other], advice)
        yield _forecast_chart(f"forecast: {OTHER_WORDS[other]}", advice, step, study)


def _step(kind: Kind, change: float, advice: Advice) -> Step:
    after_s = max(SHOWN_TIMES * (advice.closed_loop_time_s + advice.loop_dead_time_s), SHORTEST_S)
    return Step(kind, 0.0, 0.0, 0.0, change, 1.0, after_s)


def _forecast_chart(title: str, advice: Advice, step: Step, study: Study) -> Chart:
    loads = study.loads.get(step.kind, ()) if step.kind != "request" else ()
    rng = np.random.default_rng(TACH_SEED)
    found = forecast(advice, step, Reading(), advice.speed_rpm, advice.pulse_us, rng, loads)
    curve = Curve(found.since_s, found.nominal_rpm, "common model", "model")
    return Chart(title, SINCE, MOVED, (curve,), (_doubt(found),), key=f"forecast {step.kind}")
