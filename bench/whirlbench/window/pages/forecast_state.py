"""What the advised gains will do, as charts: a step of the request and one of the other lever, with their doubt."""

from __future__ import annotations

import numpy as np

from whirlbench.analysis.governor import Advice, Forecast, Reading, Study, forecast
from whirlbench.analysis.speed_loop import Kind, Step
from whirlbench.window.pages.tune_state import Chart, Line

REQUEST_RPM = 100.0
OTHER_STEP: dict[Kind, float] = {"pitch": 1.0, "throttle": 20.0}
OTHER_WORDS: dict[Kind, str] = {"pitch": "pitch coarser by 1 degree", "throttle": "throttle opened by 20 us"}
SHOWN_TIMES, SHORTEST_S = 12.0, 1.0  # how long is shown, in closed-loop times and at least
TACH_SEED = 0  # where in its turn each tach starts; charts must not flicker while the knob turns


def forecast_charts(study: Study) -> tuple[Chart, ...]:
    """Predicted answers under the advice of ``study``; none without advice, one where the other lever was not
    stepped."""
    advice = study.advice
    if advice is None:
        return ()
    other: Kind = "throttle" if advice.lever == "pitch" else "pitch"
    # always the same step, slew limits and all, so that answers can be compared while the knob turns
    request = _step("request", REQUEST_RPM, advice)
    charts = [_chart(f"forecast: request up by {REQUEST_RPM:.0f} rpm", advice, request, study)]
    if study.loads.get(other):
        charts.append(_chart(f"forecast: {OTHER_WORDS[other]}", advice, _step(other, OTHER_STEP[other], advice), study))
    return tuple(charts)


def _step(kind: Kind, change: float, advice: Advice) -> Step:
    after_s = max(SHOWN_TIMES * (advice.closed_loop_time_s + advice.loop_dead_time_s), SHORTEST_S)
    return Step(kind, 0.0, 0.0, 0.0, change, 1.0, after_s)


def _chart(title: str, advice: Advice, step: Step, study: Study) -> Chart:
    loads = study.loads.get(step.kind, ()) if step.kind != "request" else ()
    rng = np.random.default_rng(TACH_SEED)
    found: Forecast = forecast(advice, step, Reading(), advice.speed_rpm, advice.pulse_us, rng, loads)
    lines = (Line("common model", found.since_s, found.nominal_rpm),)
    return Chart(title, "s since the step", "rpm from before", lines, (found.since_s, found.low_rpm, found.high_rpm))
