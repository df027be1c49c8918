"""Which setting of a governor is better, A, B or C, and whether the difference is more than noise.

For a speed controller that governs with gains of its own: it is judged from its recordings, not from a model of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop import SpeedLoop, StepResult
from whirlbench.errors import AnalysisError

CLEAR = 2.0  # standard errors of the difference that make it one; about 95 %
LEAST_ERROR = 0.02  # of a value: repeats can agree by chance, and no stand repeats better

BETTER = {
    "overshoot_pct": "smaller",
    "damping_ratio": "larger",
    "bandwidth_hz": "larger",
    "settling_time_s": "smaller",
    "steady_error_rpm": "smaller",
    "droop_rpm": "smaller",
    "deviation_rpm": "smaller",
    "recovery_s": "smaller",
    "hunting_rpm": "smaller",
}


@dataclass(frozen=True)
class Figure:
    """Mean over the steps of one recording, standard error of the mean, how many steps gave it."""

    mean: float
    stderr: float
    count: int


@dataclass(frozen=True)
class Setting:
    """One recording's figures by name; a figure that no step gave is absent."""

    name: str
    figures: dict[str, Figure]


@dataclass(frozen=True)
class Difference:
    """Which of two settings has the better ``figure``, by how much, and whether that is more than noise."""

    figure: str
    better: str
    other: str
    difference: float
    stderr: float
    clear: bool


@dataclass(frozen=True)
class Comparison:
    """Settings beside each other; ``best`` is the one with most clear advantages, empty when none is clear."""

    settings: tuple[Setting, ...]
    differences: tuple[Difference, ...]
    best: str
    line: str


def compare(loops: Sequence[tuple[str, SpeedLoop]]) -> Comparison:
    """Compares two or more identified recordings, by name; AnalysisError for fewer or for equal names."""
    names = [name for name, _ in loops]
    if len(loops) < 2 or len(set(names)) < len(names):
        raise AnalysisError(f"a comparison needs two or more recordings with different names, not {names}")
    settings = tuple(Setting(name, _figures(loop)) for name, loop in loops)
    differences = tuple(_differences(settings))
    best, line = _best(settings, differences)
    return Comparison(settings, differences, best, line)


def _figures(loop: SpeedLoop) -> dict[str, Figure]:
    collected: dict[str, list[float]] = {}
    for result in loop.usable():
        for name, value in _of_step(result).items():
            if math.isfinite(value):
                collected.setdefault(name, []).append(value)
    return {name: _figure(values) for name, values in collected.items()}


def _of_step(result: StepResult) -> dict[str, float]:
    """Figures of one step in which smaller or larger is plainly better."""
    response, found = result.response, {}
    if response is None or result.choice is None:
        return {}
    if result.step.kind == "pitch":
        found = {
            "droop_rpm": abs(response.droop_rpm),
            "deviation_rpm": abs(response.deviation_rpm),
            "recovery_s": response.recovery_s,
        }
    else:
        model = result.choice.fit.model
        found = {
            "overshoot_pct": response.overshoot_pct,
            "settling_time_s": response.settling_time_s,
            "steady_error_rpm": abs(response.steady_error_rpm),
            "bandwidth_hz": bandwidth_hz(model.lags_s(), model.damping_ratio),
            "damping_ratio": min(model.damping_ratio, 1.0) if model.form == "second_order" else 1.0,
        }
    found["hunting_rpm"] = result.hunting.amplitude_rpm if result.hunting else 0.0
    return found


def bandwidth_hz(lags_s: Sequence[float], damping_ratio: float) -> float:
    """Frequency at which the closed loop's answer has fallen to 0.707; one lag, or a pair with its damping ratio."""
    if len(lags_s) == 1:
        return 1.0 / (2.0 * math.pi * lags_s[0])
    natural = 1.0 / math.sqrt(lags_s[0] * lags_s[1])
    part = 1.0 - 2.0 * damping_ratio**2
    return natural * math.sqrt(part + math.sqrt(part * part + 1.0)) / (2.0 * math.pi)


def _figure(values: Sequence[float]) -> Figure:
    mean = float(np.mean(values))
    floor = LEAST_ERROR * abs(mean)
    if len(values) < 2:
        return Figure(mean, math.nan, 1)
    return Figure(mean, max(float(np.std(values, ddof=1)) / math.sqrt(len(values)), floor), len(values))


def _differences(settings: Sequence[Setting]) -> list[Difference]:
    found = []
    for index, one in enumerate(settings):
        for other in settings[index + 1 :]:
            for name in BETTER:
                if name in one.figures and name in other.figures:
                    found.append(_difference(name, one, other))
    return found


def _difference(name: str, one: Setting, other: Setting) -> Difference:
    a, b = one.figures[name], other.figures[name]
    first_better = (a.mean < b.mean) == (BETTER[name] == "smaller")
    better, worse = (one, other) if first_better else (other, one)
    stderr = math.hypot(a.stderr, b.stderr)  # NaN when a setting has one step only: then nothing is clear
    return Difference(
        name, better.name, worse.name, abs(a.mean - b.mean), stderr, abs(a.mean - b.mean) > CLEAR * stderr
    )


def _best(settings: Sequence[Setting], differences: Sequence[Difference]) -> tuple[str, str]:
    wins = {setting.name: 0 for setting in settings}
    losses = dict(wins)
    for difference in differences:
        if difference.clear:
            wins[difference.better] += 1
            losses[difference.other] += 1
    order = sorted(wins, key=lambda name: wins[name] - losses[name], reverse=True)
    first, second = order[0], order[1]
    if wins[first] - losses[first] <= max(wins[second] - losses[second], 0):
        return "", "no setting is better than the others by more than the noise of these recordings"
    clear = sorted({d.figure for d in differences if d.clear and d.better == first})
    return first, f"{first} is better, by more than noise, in {', '.join(clear)}" + _price(first, differences)


def _price(first: str, differences: Sequence[Difference]) -> str:
    lost = sorted({f"{d.figure} (to {d.better})" for d in differences if d.clear and d.other == first})
    return f"; it is worse in {', '.join(lost)}" if lost else ""
