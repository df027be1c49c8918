"""The tables of a speed-loop study, every cell as text: steps, common models, advice, interaction, settings."""

from __future__ import annotations

import math
from collections.abc import Sequence

from whirlbench.analysis.governor import BETTER, Advice, Comparison, Interaction, Study
from whirlbench.analysis.governor.interaction import Estimate
from whirlbench.analysis.speed_loop import LoopModel, Pooled, StepResult
from whirlbench.results.answer import NONE, Column, Table, figure, with_error

GAIN_UNITS = {"throttle": "rpm/µs", "request": "rpm/rpm", "pitch": "rpm/deg"}
STEP_COLUMNS = (
    Column("step", figures=False),
    Column("from → to", "in its unit"),
    Column("model", figures=False),
    Column("gain", "rpm per unit"),
    Column("lag", "s"),
    Column("dead time", "s"),
    Column("lag and dead time, two-point reading", "s"),
    Column("rise", "s"),
    Column("overshoot", "%"),
    Column("settling", "s"),
    Column("remark", figures=False),
)
POOLED_COLUMNS = (
    Column("kind", figures=False),
    Column("steps"),
    Column("model", figures=False),
    Column("gain"),
    Column("lags or damping", figures=False),
    Column("dead time", "s"),
    Column("steps agree", figures=False),
)
MARGIN_COLUMNS = (Column("stability", figures=False), Column("common model"), Column("worst plausible"))
LEVER_COLUMNS = (Column("of", figures=False), Column("per µs of throttle"), Column("per degree of pitch"))


def tune_tables(study: Study, comparison: Comparison | None) -> tuple[Table, ...]:
    """Every table that ``study`` and ``comparison`` fill."""
    tables = [_steps_table(study), _pooled_table(study.loop.pooled)]
    if study.advice:
        tables.append(_advice_table(study.advice))
    if study.interaction:
        tables.append(_interaction_table(study.interaction))
    if comparison:
        tables.append(_comparison_table(comparison))
    return tuple(tables)


def _steps_table(study: Study) -> Table:
    return Table("steps", "Steps found", STEP_COLUMNS, tuple(map(_step_row, study.loop.steps)))


def _step_row(result: StepResult) -> tuple[str, ...]:
    step = result.step
    place = (f"{step.kind} {step.at_s:.2f} s", f"{step.from_value:.5g} → {step.to_value:.5g}")
    if result.returned and result.response is not None:
        back = f"came back from {result.response.deviation_rpm:.0f} rpm"
        return (*place, "governed", *[NONE] * 6, figure(result.response.recovery_s), back)
    if result.problem or result.choice is None or result.response is None:
        return (*place, *[NONE] * 8, "not used")
    fit, response = result.choice.fit, result.response
    error = fit.stderr()
    smith = next((one for one in result.graphical if one.method.startswith("Smith")), None)
    return (
        *place, form_words(fit.model), with_error(fit.model.gain, error["gain"]),
        figure(sum(fit.model.lags_s()) or None),
        with_error(fit.model.dead_time_s, error["dead_time_s"]),
        f"{smith.time_constant_s:.3g}, {smith.dead_time_s:.3g}" if smith else NONE,
        figure(response.rise_time_s), figure(response.overshoot_pct),
        _settled(response.settling_time_s, response.recovery_s),
        _hunting(result),
    )  # fmt: skip


def _settled(settling_s: float, recovery_s: float) -> str:
    return figure(settling_s) if math.isfinite(settling_s) else figure(recovery_s)


def _hunting(result: StepResult) -> str:
    if result.hunting is None:
        return ""
    return f"hunts {result.hunting.amplitude_rpm:.2g} rpm at {result.hunting.frequency_hz:.2g} Hz"


def form_words(model: LoopModel) -> str:
    """The form of ``model`` in words of the trade."""
    if model.form == "second_order" and model.damping_ratio < 1.0:
        return f"pair, damping {model.damping_ratio:.2f}"
    return {"first_order": "one lag", "second_order": "two lags", "integrating": "never ends"}[model.form]


def _pooled_table(pooled: Sequence[Pooled]) -> Table:
    title = "Common models, all steps of a kind together"
    return Table("models", title, POOLED_COLUMNS, tuple(map(_pooled_row, pooled)))


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


def _advice_table(advice: Advice) -> Table:
    nominal, worst = advice.nominal, advice.worst
    rows = (
        ("gain margin", f"{nominal.gain_margin:.2f}", f"{worst.gain_margin:.2f}"),
        ("phase margin, degrees", f"{nominal.phase_margin_deg:.0f}", f"{worst.phase_margin_deg:.0f}"),
        ("largest sensitivity", f"{nominal.max_sensitivity:.2f}", f"{worst.max_sensitivity:.2f}"),
        ("delay margin, s", f"{nominal.delay_margin_s:.3f}", f"{worst.delay_margin_s:.3f}"),
    )
    return Table("advice", f"Advice for the {advice.lever} governor: {advice.rule}", MARGIN_COLUMNS, rows)


def _interaction_table(found: Interaction) -> Table:
    def cell(gain: Estimate) -> str:
        return with_error(gain.value, gain.stderr)

    rows = (
        ("speed, rpm", cell(found.rpm_per_us), cell(found.rpm_per_deg)),
        ("thrust, N", cell(found.thrust_n_per_us), cell(found.thrust_n_per_deg)),
    )
    return Table("levers", "What each lever does, settled", LEVER_COLUMNS, rows)


def _comparison_table(comparison: Comparison) -> Table:
    names = [name for name in BETTER if any(name in setting.figures for setting in comparison.settings)]
    rows = []
    for name in names:
        cells = []
        for setting in comparison.settings:
            found = setting.figures.get(name)
            cells.append(NONE if found is None else _figure(found.mean, found.stderr, found.count))
        rows.append((name, *cells, f"{BETTER[name]} is better"))
    names_of = (Column("figure", figures=False), *(Column(setting.name) for setting in comparison.settings))
    title = "Settings beside each other, mean over steps"
    return Table("settings", title, (*names_of, Column("", figures=False)), tuple(rows))


def _figure(mean: float, error: float, count: int) -> str:
    return with_error(mean, error) if math.isfinite(error) else f"{mean:.4g} ({count} step)"
