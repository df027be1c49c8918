"""The study of a speed loop as one JSON document, and back: what `tune --json` prints and a re-test is judged by."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from whirlbench.analysis.governor import (
    Advice,
    Comparison,
    Forecast,
    LawSettings,
    Spectrum,
    StabilityMargins,
    Study,
    Verdict,
)
from whirlbench.analysis.speed_loop import Kind, LoopModel, Pooled, StepResult
from whirlbench.errors import AnalysisError

RESPONSE_KEYS = (
    "rise_time_s", "overshoot_pct", "peak_time_s", "settling_time_s", "steady_error_rpm", "deviation_rpm", "recovery_s",
    "settling_5pct_s", "rise_time_0_100_s", "droop_rpm", "headroom_pct", "change_rpm", "noise_rpm",
)  # fmt: skip


def tune_document(
    study: Study,
    verdicts: Sequence[Verdict] = (),
    comparison: Comparison | None = None,
    forecasts: Mapping[Kind, Forecast] | None = None,
) -> dict[str, Any]:
    """Everything that was found, with the keys that the outside may rely on first."""
    loop = study.loop
    return {
        "steps": [_step(result) for result in loop.steps],
        "pooled": [_pooled(pooled) for pooled in loop.pooled],
        "advice": _advice(study.advice, study.loads) if study.advice else None,
        "forecast": {kind: _forecast(one) for kind, one in (forecasts or {}).items()},
        "frequency_response": [_spectrum(spectrum) for spectrum in study.spectra],
        "interaction": study.interaction,
        "proof": [_verdict(verdict) for verdict in verdicts],
        "comparison": comparison,
        "noise": {
            "edge_jitter_us": loop.noise.jitter_us() if loop.delay_modelled else None,
            "speeds_from": loop.origin,
        },
    }


def _step(result: StepResult) -> dict[str, Any]:
    step, choice = result.step, result.choice
    fit = choice.fit if choice else None
    return {
        "kind": step.kind,
        "at_s": step.at_s,
        "from": step.from_value,
        "to": step.to_value,
        "model": _model(fit.model) if fit else None,
        "stderr": fit.stderr() if fit else None,
        "response": {key: getattr(result.response, key) for key in RESPONSE_KEYS} if result.response else None,
        "used": not result.problem,
        "problem": result.problem or None,
        "came_back": result.returned,
        "ramp_s": step.ramp_s,
        "chosen_by": choice.reason if choice else None,
        "drift_rpm_per_s": fit.drift_rpm_per_s[0] if fit else None,
        "graphical": list(result.graphical),
        "hunting": result.hunting,
    }


def _model(model: LoopModel) -> dict[str, Any]:
    return {"form": model.form, **model.parameters()}


def _pooled(pooled: Pooled) -> dict[str, Any]:
    return {
        "kind": pooled.kind,
        "steps": pooled.steps,
        "model": _model(pooled.model),
        "stderr": pooled.stderr(),
        "scatter": pooled.scatter,
        "disagreement": pooled.disagreement,
        "chosen_by": pooled.choice.reason,
    }


def _advice(advice: Advice, loads: dict[Kind, tuple[LoopModel, ...]]) -> dict[str, Any]:
    nominal, worst = advice.nominal, advice.worst
    other: Kind = "throttle" if advice.lever == "pitch" else "pitch"
    return {
        "rule": advice.rule,
        "kp": advice.kp,
        "ki": advice.ki,
        "gain_margin": nominal.gain_margin,
        "phase_margin_deg": nominal.phase_margin_deg,
        "max_sensitivity": nominal.max_sensitivity,
        "delay_margin_s": nominal.delay_margin_s,
        "worst_case": worst,
        "lever": advice.lever,
        "closed_loop_time_s": advice.closed_loop_time_s,
        "loop_dead_time_s": advice.loop_dead_time_s,
        "extra_delay_s": advice.extra_delay_s,
        "speed_rpm": advice.speed_rpm,
        "pulse_us": advice.pulse_us,
        "law": advice.law,
        "derivative": advice.derivative,
        "largest_linear_step_rpm": advice.largest_linear_step_rpm,
        "chatter_us": advice.chatter_us,
        "reasons": list(advice.reasons),
        "models": [_model(model) for model in advice.models],
        "loads": {other: [_model(model) for model in loads.get(other, ())]},
    }


def _forecast(forecast: Forecast) -> dict[str, Any]:
    """Figures with their bands, and the curves about the speed before."""
    return {
        "figures": forecast.figures,
        "since_s": forecast.since_s,
        "rpm": forecast.nominal_rpm,
        "rpm_low": forecast.low_rpm,
        "rpm_high": forecast.high_rpm,
    }


def _spectrum(spectrum: Spectrum) -> dict[str, Any]:
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


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "kind": verdict.step.kind,
        "at_s": verdict.step.at_s,
        "measured": verdict.measured,
        "predicted": verdict.forecast.figures,
        "agrees": verdict.agrees,
        "line": verdict.line,
    }


def read_advice(path: Path) -> tuple[Advice, dict[Kind, tuple[LoopModel, ...]]]:
    """The advice that `tune --json` printed before, with the loads; AnalysisError names what is missing."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return _advice_in(found["advice"])
    except (OSError, ValueError) as error:
        raise AnalysisError(f"{path}: cannot be read as what tune --json prints: {error}") from error
    except (KeyError, TypeError) as error:
        raise AnalysisError(f"{path}: holds no advice to judge a re-test by (missing: {error})") from error


def _advice_in(found: dict[str, Any]) -> tuple[Advice, dict[Kind, tuple[LoopModel, ...]]]:
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


def _numbers(found: dict[str, Any]) -> dict[str, float]:
    return {name: math.inf if value is None else float(value) for name, value in found.items()}


def _models_in(found: list[dict[str, Any]]) -> tuple[LoopModel, ...]:
    return tuple(LoopModel(**model) for model in found)
