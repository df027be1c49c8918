"""Which model a step deserves: one lag, two lags or a pair, or an answer that never ends.

Schwarz's criterion (BIC) decides, not Akaike's: with hundreds of tach periods in a window AICc charges two units for a
parameter whatever the sample, and would buy a second lag to polish the drive's non-linearity; BIC charges ln n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop.model_fit import Fit, Window, fit_model
from whirlbench.analysis.speed_loop.models import Form, LoopModel, damping_from_overshoot
from whirlbench.analysis.speed_loop.noise import Noise

CLEARLY_BETTER = (
    6.0  # difference in BIC: "strong" evidence in Kass and Raftery, J. Am. Stat. Assoc. 90 (1995), from memory
)
ENDLESS_PART = 0.5  # a lag longer than this part of the hold may as well be an integrator


@dataclass(frozen=True)
class Choice:
    """The chosen fit, and by how much each other candidate is worse in BIC (negative: not clearly better)."""

    fit: Fit
    candidates: dict[Form, Fit]
    worse_by: dict[Form, float]
    reason: str


def choose_form(window: Window, guess: LoopModel, noise: Noise) -> Choice:
    """The model that one step deserves; ``guess`` is a one-lag start.

    The simplest form is kept unless a richer one is better by more than six units.
    """
    first = fit_model([window], guess, noise)
    pairs = [fit_model([window], start, noise) for start in second_order_starts(first, window)]
    second = min(pairs, key=lambda fit: fit.squares)
    fits: dict[Form, Fit] = {"first_order": first, "second_order": second}
    hold = float(window.record.edge_s[-1]) - window.at_s
    if first.model.time_constant_s > ENDLESS_PART * hold:
        endless = LoopModel("integrating", 1.0, first.model.dead_time_s)
        fits["integrating"] = fit_model([window], endless, noise)
    return _decide(fits)


def choose_among(first: Fit, second: Fit) -> Choice:
    """The simpler of the two unless the other is clearly better; for fits of the same windows."""
    return _decide({"first_order": first, "second_order": second})


def _decide(fits: dict[Form, Fit]) -> Choice:
    memory = min(fit.memory for fit in fits.values())
    scores = {form: fit.information_criterion(memory) for form, fit in fits.items()}
    chosen: Form = "first_order"
    if scores.get("integrating", math.inf) < scores[chosen] + CLEARLY_BETTER:
        chosen = "integrating"
    if scores["second_order"] < scores[chosen] - CLEARLY_BETTER:
        chosen = "second_order"
    worse = {form: score - scores[chosen] for form, score in scores.items() if form != chosen}
    reason = f"BIC: {chosen.replace('_', ' ')}; " + ", ".join(
        f"{form.replace('_', ' ')} {difference:+.1f}" for form, difference in worse.items()
    )
    return Choice(fits[chosen], fits, worse, reason)


def second_order_starts(first: Fit, window: Window) -> list[LoopModel]:
    """First guesses of a pair: two unequal lags that replace the one, or a damped oscillation when it overshoots."""
    lag, dead = first.model.time_constant_s, first.model.dead_time_s
    total = lag + dead
    overshoot, peak_s = _overshoot(first, window)
    if overshoot > 0.02 and peak_s > 0.0:
        damping = damping_from_overshoot(min(overshoot, 0.9))
        quiet = min(0.5 * dead, 0.3 * peak_s)
        frequency = math.pi / ((peak_s - quiet) * math.sqrt(1.0 - damping**2))
        return [LoopModel("second_order", 1.0, quiet, damping_ratio=damping, natural_frequency_rad_s=frequency)]
    slow, fast = 0.9 * lag, max(0.5 * dead, 0.05 * lag)
    frequency = 1.0 / math.sqrt(slow * fast)
    return [
        LoopModel(
            "second_order", 1.0, max(total - slow - fast, 0.2 * dead),
            damping_ratio=(slow + fast) * frequency / 2.0, natural_frequency_rad_s=frequency,
        )
    ]  # fmt: skip


def _overshoot(first: Fit, window: Window) -> tuple[float, float]:
    """Largest excursion of the smoothed speeds beyond the settled one, as a part of the change, and when it was."""
    record = window.record
    fine = np.isfinite(record.speed_rpm)
    since = (record.mid_s - window.at_s)[fine]
    moved = record.speed_rpm[fine] - first.before_rpm[0] - first.drift_rpm_per_s[0] * since
    after = since > 0.0
    part = moved[after] / (first.model.gain * window.change)
    width = max(3, len(part) // 60)
    smooth = np.convolve(part, np.full(width, 1.0 / width), mode="valid")
    peak = int(np.argmax(smooth))
    return float(smooth[peak]) - 1.0, float(since[after][peak + width // 2])
