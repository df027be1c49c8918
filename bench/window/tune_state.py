"""What is shown of a speed-loop study, as plain data: tables, charts as arrays, verdict lines. No Qt, no drawing.

The window and the command line both show exactly this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.analysis.governor_advice import Advice
from bench.analysis.governor_comparison import BETTER, Comparison
from bench.analysis.governor_plan import rig_lines
from bench.analysis.governor_proof import Verdict
from bench.analysis.governor_study import Spectrum, Study
from bench.analysis.interaction import Interaction
from bench.analysis.speed_loop_models import LoopModel, sampled_answer
from bench.analysis.speed_loop_pool import Pooled
from bench.analysis.speed_loop_step import StepResult

NONE = "–"
GAIN_UNITS = {"throttle": "rpm/us", "request": "rpm/rpm", "pitch": "rpm/deg"}
STEP_HEADINGS = ("step", "from → to", "model", "gain", "lag s", "dead s", "Smith s", "rise s", "over %", "settle s", "")
POOLED_HEADINGS = ("kind", "steps", "model", "gain", "lags or damping", "dead time s", "steps agree")
CAUTION = (
    "Gains are an aid to judgement: load them with the stand guarded, nobody in the plane of rotation, the isolating "
    "switch in reach, and prove them with the re-test before you rely on them."
)


@dataclass(frozen=True)
class Table:
    """A table to be shown: every cell is text."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


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
    tables = [_steps_table(study), _pooled_table(study.loop.pooled)]
    if study.advice:
        tables.append(_advice_table(study.advice))
    if study.interaction:
        tables.append(_interaction_table(study.interaction))
    if comparison:
        tables.append(_comparison_table(comparison))
    charts = [_step_chart(result) for result in study.loop.steps if result.curve is not None]
    charts += [chart for spectrum in study.spectra for chart in _spectrum_charts(spectrum)]
    charts += [_proof_chart(verdict) for verdict in verdicts]
    return TuneState(
        _heading(study, verdicts), tuple(tables), tuple(charts), tuple(_lines(study, verdicts, comparison))
    )


def _heading(study: Study, verdicts: Sequence[Verdict]) -> str:
    if verdicts:
        agreeing = sum(verdict.agrees for verdict in verdicts)
        return f"{agreeing} of {len(verdicts)} re-tested steps came out as predicted"
    usable = f"{len(study.loop.usable())} of {len(study.loop.steps)} steps usable"
    if study.advice is None:
        return f"{usable}; no gains advised"
    return f"{usable}; {study.advice.lever} governor: kp {study.advice.kp:.4g}, ki {study.advice.ki:.4g}"


def _number(value: float | None, digits: int = 3) -> str:
    return NONE if value is None or not math.isfinite(value) else f"{value:.{digits}g}"


def _with_error(value: float, error: float) -> str:
    return f"{value:.4g} ± {error:.2g}"


def _steps_table(study: Study) -> Table:
    return Table("Steps found", STEP_HEADINGS, tuple(_step_row(result) for result in study.loop.steps))


def _step_row(result: StepResult) -> tuple[str, ...]:
    step = result.step
    place = (f"{step.kind} {step.at_s:.2f} s", f"{step.from_value:.5g} → {step.to_value:.5g}")
    if result.returned and result.response is not None:
        back = f"came back from {result.response.deviation_rpm:.0f} rpm"
        return (*place, "governed", *[NONE] * 6, _number(result.response.recovery_s), back)
    if result.choice is None or result.response is None:
        return (*place, *[NONE] * 8, "not used")
    fit, response = result.choice.fit, result.response
    error = fit.stderr()
    smith = next((one for one in result.graphical if one.method.startswith("Smith")), None)
    return (
        *place, _form(fit.model), _with_error(fit.model.gain, error["gain"]), _number(sum(fit.model.lags_s()) or None),
        _with_error(fit.model.dead_time_s, error["dead_time_s"]),
        f"{smith.time_constant_s:.3g}, {smith.dead_time_s:.3g}" if smith else NONE,
        _number(response.rise_time_s), _number(response.overshoot_pct),
        _settled(response.settling_time_s, response.recovery_s),
        "not used" if result.problem else _hunting(result),
    )  # fmt: skip


def _settled(settling_s: float, recovery_s: float) -> str:
    return _number(settling_s) if math.isfinite(settling_s) else _number(recovery_s)


def _hunting(result: StepResult) -> str:
    if result.hunting is None:
        return ""
    return f"hunts {result.hunting.amplitude_rpm:.2g} rpm at {result.hunting.frequency_hz:.2g} Hz"


def _form(model: LoopModel) -> str:
    if model.form == "second_order" and model.damping_ratio < 1.0:
        return f"pair, damping {model.damping_ratio:.2f}"
    return {"first_order": "one lag", "second_order": "two lags", "integrating": "never ends"}[model.form]


def _pooled_table(pooled: Sequence[Pooled]) -> Table:
    return Table("Common models, all steps of a kind together", POOLED_HEADINGS, tuple(map(_pooled_row, pooled)))


def _pooled_row(pooled: Pooled) -> tuple[str, ...]:
    model, error = pooled.model, pooled.stderr()
    if model.form == "second_order" and model.damping_ratio < 1.0:
        shape = f"damping {_with_error(model.damping_ratio, error['damping_ratio'])}, {1 / model.lags_s()[0]:.3g} rad/s"
    else:
        shape = ", ".join(f"{lag:.3g} s" for lag in model.lags_s())
    agree = "one step" if pooled.steps == 1 else f"no, {pooled.disagreement:.1f} x noise" if pooled.unlike() else "yes"
    gain = f"{_with_error(model.gain, error['gain'])} {GAIN_UNITS[pooled.kind]}"
    dead = _with_error(model.dead_time_s, error["dead_time_s"])
    return (pooled.kind, str(pooled.steps), _form(model), gain, shape, dead, agree)


def _advice_table(advice: Advice) -> Table:
    nominal, worst = advice.nominal, advice.worst
    rows = (
        ("gain margin", f"{nominal.gain_margin:.2f}", f"{worst.gain_margin:.2f}"),
        ("phase margin, degrees", f"{nominal.phase_margin_deg:.0f}", f"{worst.phase_margin_deg:.0f}"),
        ("largest sensitivity", f"{nominal.max_sensitivity:.2f}", f"{worst.max_sensitivity:.2f}"),
        ("delay margin, s", f"{nominal.delay_margin_s:.3f}", f"{worst.delay_margin_s:.3f}"),
    )
    return Table(
        f"Advice for the {advice.lever} governor: {advice.rule}", ("", "common model", "worst plausible"), rows
    )


def _interaction_table(found: Interaction) -> Table:
    def cell(gain: object) -> str:
        return _with_error(gain.value, gain.stderr)  # type: ignore[attr-defined]

    rows = (
        ("speed, rpm", cell(found.rpm_per_us), cell(found.rpm_per_deg)),
        ("thrust, N", cell(found.thrust_n_per_us), cell(found.thrust_n_per_deg)),
    )
    return Table("What each lever does, settled", ("", "per us of throttle", "per degree of pitch"), rows)


def _comparison_table(comparison: Comparison) -> Table:
    names = [name for name in BETTER if any(name in setting.figures for setting in comparison.settings)]
    rows = []
    for name in names:
        cells = []
        for setting in comparison.settings:
            figure = setting.figures.get(name)
            cells.append(NONE if figure is None else _figure(figure.mean, figure.stderr, figure.count))
        rows.append((name, *cells, f"{BETTER[name]} is better"))
    headings = ("", *(setting.name for setting in comparison.settings), "")
    return Table("Settings beside each other, mean over steps", headings, tuple(rows))


def _figure(mean: float, error: float, count: int) -> str:
    return _with_error(mean, error) if math.isfinite(error) else f"{mean:.4g} ({count} step)"


def _step_chart(result: StepResult) -> Chart:
    assert result.curve is not None
    curve, step = result.curve, result.step
    lines = [Line("measured", curve.since_s, curve.speed_rpm, measured=True)]
    if result.choice is not None:
        fit = result.choice.fit
        answer, _ = sampled_answer(fit.model, curve.since_s, step.ramp_s, averaged=False)
        base = fit.before_rpm[0] + fit.drift_rpm_per_s[0] * curve.since_s
        lines.append(Line(_form(fit.model), curve.since_s, base + fit.model.gain * step.change * answer))
    return Chart(f"{step.kind} step at {step.at_s:.2f} s", "s since the step", "rpm", tuple(lines))


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
    forecast, curve = verdict.forecast, verdict.curve
    quiet = curve.since_s < 0.0
    before = float(np.nanmean(curve.speed_rpm[quiet])) if np.isfinite(curve.speed_rpm[quiet]).any() else 0.0
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
