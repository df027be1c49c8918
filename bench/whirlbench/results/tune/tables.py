"""The figures of a speed-loop study: tables of steps, models, gains and settings to read, and all of it as a document.

A step that could not be used and gains that must not be loaded carry no figure in the tables.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from whirlbench.analysis.governor import (
    BETTER,
    WORDS,
    Advice,
    Comparison,
    Figure,
    Forecast,
    Interaction,
    Spectrum,
    StabilityMargins,
    Study,
    Verdict,
)
from whirlbench.analysis.speed_loop import Kind, LoopModel, Pooled, StepResult
from whirlbench.results.answer import NONE, Column, Table, figure, fixed, plain, with_error
from whirlbench.results.labels import label

GAIN_UNITS = {"throttle": "rpm/µs", "request": "rpm/rpm", "pitch": "rpm/deg"}
LEVER_UNITS = {"throttle": "µs", "request": "rpm", "pitch": "deg"}
FIGURE_UNITS = {"pct": "%", "hz": "Hz", "s": "s", "rpm": "rpm"}  # by the last part of a figure's key
NOT_USED = "not used"
AS_PREDICTED, DIFFERS = "as predicted", "DIFFERS"
RESPONSE_KEYS = (
    "rise_time_s", "overshoot_pct", "peak_time_s", "settling_time_s", "steady_error_rpm", "deviation_rpm", "recovery_s",
    "settling_5pct_s", "rise_time_0_100_s", "droop_rpm", "headroom_pct", "change_rpm", "noise_rpm",
)  # fmt: skip

STEP_COLUMNS = (
    Column("step", figures=False),
    Column("from → to", figures=False),
    Column("model", figures=False),
    Column("gain", figures=False),
    Column("lag", "s"),
    Column("dead time", "s"),
    Column("rise", "s"),
    Column("overshoot", "%"),
    Column("settled into 2 %", "s"),
    Column("came back to a tenth", "s"),
    Column("remark", figures=False),
)
RE_TEST_COLUMNS = (
    Column("step", figures=False),
    Column("figure", figures=False),
    Column("measured"),
    Column("predicted", figures=False),
    Column("verdict", figures=False),
)
POINTS_COLUMNS = (Column("step", figures=False), Column("lag", "s"), Column("dead time", "s"))
POOLED_COLUMNS = (
    Column("steps of", figures=False),
    Column("steps"),
    Column("model", figures=False),
    Column("gain", figures=False),
    Column("lags or damping", figures=False),
    Column("dead time", "s"),
    Column("steps agree", figures=False),
)
ADVICE_COLUMNS = (
    Column("lever that governs", figures=False),
    Column("rule", figures=False),
    Column("kp", "µs/rpm"),
    Column("over plausible drives", "µs/rpm"),
    Column("ki", "µs/rpm/s"),
    Column("over plausible drives", "µs/rpm/s"),
    Column("loop's dead time", "s"),
    Column("identified at", "rpm"),
    Column("and at a pulse of", "µs"),
)
STABILITY_COLUMNS = (
    Column("drive", figures=False),
    Column("gain margin"),
    Column("phase margin", "deg"),
    Column("largest sensitivity"),
    Column("delay margin", "s"),
)
INTERACTION_COLUMNS = (Column("lever moved by", figures=False), Column("speed", "rpm"), Column("thrust", "N"))


def tune_tables(study: Study, verdicts: Sequence[Verdict], comparison: Comparison | None) -> Iterator[Table]:
    """Every table that ``study``, the ``verdicts`` of a re-test and ``comparison`` fill; the proof stands first."""
    if verdicts:
        yield _re_test_table(verdicts)
    unused = frozenset(number for number, result in enumerate(study.loop.steps) if result.problem)
    yield Table("steps", "Steps found", STEP_COLUMNS, tuple(map(_step_row, study.loop.steps)), unused)
    points = tuple(_points_rows(study.loop.usable()))
    if points:
        yield Table("two points", "Read off each step by two points, as a check", POINTS_COLUMNS, points)
    common = tuple(map(_pooled_row, study.loop.pooled))
    yield Table("pooled", "Common models, all steps of a kind together", POOLED_COLUMNS, common)
    if study.advice:
        yield from _advice_tables(study.advice)
    if study.interaction:
        rows = _interaction_rows(study.interaction)
        yield Table("interaction", "What each lever does, settled", INTERACTION_COLUMNS, rows)
    if comparison:
        yield _comparison_table(comparison)


def _re_test_table(verdicts: Sequence[Verdict]) -> Table:
    """Each figure of each re-tested step beside its band, by the words that the forecast has."""
    rows = tuple(row for verdict in verdicts for row in _re_test_rows(verdict))
    differing = frozenset(number for number, row in enumerate(rows) if row[-1] == DIFFERS)
    return Table("re-test", "Re-test: what was predicted, and what came", RE_TEST_COLUMNS, rows, differing)


def _re_test_rows(verdict: Verdict) -> Iterator[tuple[str, ...]]:
    for name, band in verdict.forecast.figures.items():
        word, unit = WORDS[name]
        measured = verdict.measured[name]
        high = f"{figure(band.high)} {unit}" if math.isfinite(band.high) else "beyond the hold"
        shown = f"{figure(measured)} {unit}" if math.isfinite(measured) else "not within the hold"
        held = AS_PREDICTED if band.holds(measured) else DIFFERS
        yield f"{verdict.step.kind} at {verdict.step.at_s:.2f} s", word, shown, f"{figure(band.low)} to {high}", held


def form_words(model: LoopModel) -> str:
    """The form of ``model`` in words of the trade."""
    if model.form == "second_order" and model.damping_ratio < 1.0:
        return f"pair, damping {model.damping_ratio:.2f}"
    return {"first_order": "one lag", "second_order": "two lags", "integrating": "never ends"}[model.form]


def _step_row(result: StepResult) -> tuple[str, ...]:
    """A step as found; one that could not be used carries no figure."""
    step = result.step
    unit = LEVER_UNITS[step.kind]
    place = (_place(result), f"{step.from_value:.5g} → {step.to_value:.5g} {unit}")
    if result.problem:
        return (*place, *[NONE] * 8, NOT_USED)
    if result.choice is None or result.response is None:
        return (*place, "governed", *[NONE] * 6, *_came_back(result))
    fit, response = result.choice.fit, result.response
    error = fit.stderr()
    return (
        *place, form_words(fit.model), f"{with_error(fit.model.gain, error['gain'])} {GAIN_UNITS[step.kind]}",
        figure(sum(fit.model.lags_s()) or None), with_error(fit.model.dead_time_s, error["dead_time_s"]),
        figure(response.rise_time_s), figure(response.overshoot_pct),
        figure(response.settling_time_s), figure(response.recovery_s), _hunting(result),
    )  # fmt: skip


def _place(result: StepResult) -> str:
    return f"{result.step.kind} at {result.step.at_s:.2f} s"


def _points_rows(results: Sequence[StepResult]) -> Iterator[tuple[str, ...]]:
    for result in results:
        for found in result.graphical:
            if found.method.startswith("Smith"):
                yield _place(result), figure(found.time_constant_s), figure(found.dead_time_s)


def _came_back(result: StepResult) -> tuple[str, str]:
    """Recovery and remark of a step after which something brought the speed back."""
    if result.response is None:
        return NONE, "came back"
    return figure(result.response.recovery_s), f"came back from {result.response.deviation_rpm:.0f} rpm"


def _hunting(result: StepResult) -> str:
    if result.hunting is None:
        return ""
    return f"hunts {result.hunting.amplitude_rpm:.2g} rpm at {result.hunting.frequency_hz:.2g} Hz"


def _pooled_row(pooled: Pooled) -> tuple[str, ...]:
    model, error = pooled.model, pooled.stderr()
    if model.form == "second_order" and model.damping_ratio < 1.0:
        shape = f"damping {with_error(model.damping_ratio, error['damping_ratio'])}, {1 / model.lags_s()[0]:.3g} rad/s"
    else:
        shape = ", ".join(f"{lag:.3g} s" for lag in model.lags_s())
    agree = "one step" if pooled.steps == 1 else f"no, {pooled.disagreement:.1f} x noise" if pooled.unlike() else "yes"
    gain = f"{with_error(model.gain, error['gain'])} {GAIN_UNITS[pooled.kind]}"
    dead = with_error(model.dead_time_s, error["dead_time_s"])
    return (pooled.kind, str(pooled.steps), form_words(model), gain, shape, dead, agree)


def _advice_tables(advice: Advice) -> Iterator[Table]:
    """Gains, which are dashes where they must not be loaded, and how far the loop is from swinging."""
    kp, ki = (figure(gain, 4) if advice.loadable else NONE for gain in (advice.kp, advice.ki))
    reaches = (f"{low:.3g} to {high:.3g}" if advice.loadable else NONE for low, high in advice.spread())
    rule = advice.rule.replace("SIMC", "SIMC (simple internal model control)", 1)
    row = (
        advice.lever, rule, kp, next(reaches), ki, next(reaches),
        fixed(advice.loop_dead_time_s, 3), fixed(advice.speed_rpm, 0), fixed(advice.pulse_us, 0),
    )  # fmt: skip
    refused = frozenset[int]() if advice.loadable else frozenset((0,))
    yield Table("advice", f"Gains for the {advice.lever} governor", ADVICE_COLUMNS, (row,), refused)
    drives = (("common model", advice.nominal), ("worst plausible", advice.worst))
    swinging = frozenset(number for number, (_, margins) in enumerate(drives) if not margins.stable)
    rows = tuple((name, *_stability(margins)) for name, margins in drives)
    yield Table("stability", "Stability margins with these gains", STABILITY_COLUMNS, rows, swinging)


def _stability(margins: StabilityMargins) -> tuple[str, ...]:
    return (
        "unbounded" if math.isinf(margins.gain_margin) else fixed(margins.gain_margin, 2),
        fixed(margins.phase_margin_deg, 0),
        fixed(margins.max_sensitivity, 2),
        fixed(margins.delay_margin_s, 3),
    )


def _interaction_rows(found: Interaction) -> tuple[tuple[str, ...], ...]:
    moved = (
        ("throttle, 1 µs", found.rpm_per_us, found.thrust_n_per_us),
        ("pitch, 1 deg", found.rpm_per_deg, found.thrust_n_per_deg),
    )
    return tuple((name, *(with_error(gain.value, gain.stderr) for gain in gains)) for name, *gains in moved)


def _comparison_table(comparison: Comparison) -> Table:
    """A row a setting, and a last one that says which way each figure is better."""
    names = [name for name in BETTER if any(name in setting.figures for setting in comparison.settings)]
    columns = (Column("setting", figures=False), *(Column(label(name), _unit(name)) for name in names))
    rows = [(setting.name, *(_mean(setting.figures.get(name)) for name in names)) for setting in comparison.settings]
    rows.append(("better is", *(BETTER[name] for name in names)))
    return Table("comparison", "Settings beside each other, mean over steps", columns, tuple(rows))


def _unit(name: str) -> str:
    return FIGURE_UNITS.get(name.rpartition("_")[2], "")


def _mean(found: Figure | None) -> str:
    if found is None:
        return NONE
    return with_error(found.mean, found.stderr) if math.isfinite(found.stderr) else f"{found.mean:.4g} (1 step)"


def tune_document(
    study: Study,
    verdicts: Sequence[Verdict],
    comparison: Comparison | None,
    forecasts: Mapping[Kind, Forecast],
    reasons: Sequence[str],
) -> dict[str, Any]:
    """Everything that was found, as plain values, with the keys that the outside may rely on first.

    ``reasons`` are plain lines on the advice.
    """
    loop = study.loop
    found: dict[str, Any] = plain({
        "steps": [_step_document(result) for result in loop.steps],
        "pooled": [_pooled_document(pooled) for pooled in loop.pooled],
        "advice": _advice_document(study.advice, study.loads, reasons) if study.advice else None,
        "forecast": {kind: _forecast_document(one) for kind, one in forecasts.items()},
        "frequency_response": [_spectrum_document(spectrum) for spectrum in study.spectra],
        "interaction": study.interaction,
        "limit_cycle": study.cycle,
        "ringing": study.ringing,
        "proof": [_proof_document(verdict) for verdict in verdicts],
        "comparison": comparison,
        "noise": {
            "edge_jitter_us": loop.noise.jitter_us() if loop.origin != "rpm" else None,
            "speeds_from": loop.origin,
            "channel": loop.channel,
            "wander_rpm": math.sqrt(loop.noise.wander),
            "wander_s": loop.noise.wander_s if loop.noise.wander > 0.0 else None,
        },
    })  # fmt: skip
    return found


def _step_document(result: StepResult) -> dict[str, Any]:
    """A step as JSON; one that was not used keeps its place and its problem, and no figure."""
    step, choice = result.step, result.choice if not result.problem else None
    fit = choice.fit if choice else None
    response = result.response if not result.problem else None
    return {
        "kind": step.kind,
        "at_s": step.at_s,
        "from": step.from_value,
        "to": step.to_value,
        "model": _model(fit.model) if fit else None,
        "stderr": fit.stderr() if fit else None,
        "response": {key: getattr(response, key) for key in RESPONSE_KEYS} if response else None,
        "used": not result.problem,
        "problem": result.problem or None,
        "came_back": result.returned,
        "ramp_s": step.ramp_s,
        "chosen_by": choice.reason if choice else None,
        "drift_rpm_per_s": fit.drift_rpm_per_s[0] if fit else None,
        "graphical": result.graphical if not result.problem else (),
        "hunting": result.hunting if not result.problem else None,
    }


def _model(model: LoopModel) -> dict[str, Any]:
    return {"form": model.form, **model.parameters()}


def _pooled_document(pooled: Pooled) -> dict[str, Any]:
    return {
        "kind": pooled.kind,
        "steps": pooled.steps,
        "model": _model(pooled.model),
        "stderr": pooled.stderr(),
        "scatter": pooled.scatter,
        "disagreement": pooled.disagreement,
        "chosen_by": pooled.choice.reason,
    }


def _advice_document(advice: Advice, loads: Mapping[Kind, Sequence[LoopModel]], reasons: Sequence[str]) -> Any:
    """The advice; gains that must not be loaded are null wherever they would stand."""
    nominal = advice.nominal
    other: Kind = "throttle" if advice.lever == "pitch" else "pitch"
    found = {
        "rule": advice.rule,
        "kp": advice.kp,
        "ki": advice.ki,
        "gain_margin": nominal.gain_margin,
        "phase_margin_deg": nominal.phase_margin_deg,
        "max_sensitivity": nominal.max_sensitivity,
        "delay_margin_s": nominal.delay_margin_s,
        "worst_case": advice.worst,
        "lever": advice.lever,
        "closed_loop_time_s": advice.closed_loop_time_s,
        "loop_dead_time_s": advice.loop_dead_time_s,
        "extra_delay_s": advice.extra_delay_s,
        "speed_rpm": advice.speed_rpm,
        "pulse_us": advice.pulse_us,
        "law": plain(advice.law),
        "derivative": advice.derivative,
        "largest_linear_step_rpm": advice.largest_linear_step_rpm,
        "chatter_us": advice.chatter_us,
        "reasons": reasons,
        "models": [_model(model) for model in advice.models],
        "loads": {other: [_model(model) for model in loads.get(other, ())]},
    }
    if not advice.loadable:
        law = {**found["law"], "kp_us_per_rpm": None, "ki_us_per_rpm_s": None}
        found |= {"kp": None, "ki": None, "derivative": None, "law": law}
    return found


def _forecast_document(forecast: Forecast) -> dict[str, Any]:
    """Figures with their bands, and the curves about the speed before."""
    return {
        "figures": forecast.figures,
        "since_s": forecast.since_s,
        "rpm": forecast.nominal_rpm,
        "rpm_low": forecast.low_rpm,
        "rpm_high": forecast.high_rpm,
    }


def _spectrum_document(spectrum: Spectrum) -> dict[str, Any]:
    measured = spectrum.measured
    return {
        "kind": measured.kind,
        "frequency_hz": measured.frequency_hz,
        "size": measured.size,
        "size_95": [measured.size_low, measured.size_high],
        "phase_deg": measured.phase_deg,
        "phase_95_deg": measured.phase_error_deg,
        "coherence": measured.coherence,
        "step_model": spectrum.agreement,
        "step_model_agrees": spectrum.agreement.agrees if spectrum.agreement else None,
    }


def _proof_document(verdict: Verdict) -> dict[str, Any]:
    return {
        "kind": verdict.step.kind,
        "at_s": verdict.step.at_s,
        "measured": verdict.measured,
        "predicted": verdict.forecast.figures,
        "agrees": verdict.agrees,
        "line": verdict.line,
    }
