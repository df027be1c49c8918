"""Which model a step deserves: one lag, two lags or a pair, an answer that never ends; and what may stand before it.

Between the lever and the shaft a speed controller may ramp, and a pack, a current limit or an end of the range may stop
the speed short of where it was going. Both are fitted wherever one lag does not tell all, and both have to win by BIC.

Schwarz's criterion (BIC) decides, not Akaike's: with hundreds of tach periods in a window AICc charges two units for a
parameter whatever the sample, and would buy a second lag to polish the drive's non-linearity; BIC charges ln n.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.model_fit import Fit, Window, fit_model
from whirlbench.analysis.speed_loop.models import Form, LoopModel, damping_from_overshoot
from whirlbench.analysis.speed_loop.noise import Noise

CLEARLY_BETTER = (
    6.0  # difference in BIC: "strong" evidence in Kass and Raftery, J. Am. Stat. Assoc. 90 (1995), from memory
)
WORTH_A_LOOK = (
    4.0  # BIC by which a second lag may lose before a ramp or a ceiling is not looked for: both then cannot win
)
CEILING_BETTER = 20.0  # a ceiling gains hundreds; a gust that happens to level off gains ten
CEILINGS, LONGEST_HIDDEN_RAMP_S = (0.4, 0.55, 0.7, 0.85, 0.95), 1.0
BESIDE_S = 0.02  # by which a ramp is made shorter and longer to see how well its length is known
ENDLESS_PART = 0.5  # a lag longer than this part of the hold may as well be an integrator


@dataclass(frozen=True)
class Choice:
    """The chosen fit, and by how much each other candidate is worse in BIC (negative: not clearly better).

    ``hidden_ramp_s``: the drive answers as if the lever had taken so long (0: at once). ``ceiling``: the part of its
    answer at which the speed stopped, None where it did not; ``fit`` is then the one without, and not to be used.
    ``rivals`` are fits that explain the step as well, by another cause: their gains and dead times widen the chosen
    one's errors by the variances ``doubt``, and no advice may forget them. ``ceiling_evidence``: by how much a ceiling
    is better in BIC than what was chosen, zero where none was looked for; steps to one level add theirs up.
    """

    fit: Fit
    candidates: dict[Form, Fit]
    worse_by: dict[Form, float]
    reason: str
    hidden_ramp_s: float = 0.0
    ceiling: float | None = None
    rivals: tuple[Fit, ...] = ()
    doubt: tuple[float, float] = (0.0, 0.0)  # of gain and dead time
    ceiling_evidence: float = 0.0


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
    plain = _decide(fits)
    memory = min(fit.memory for fit in fits.values())
    scores = {form: fit.information_criterion(memory) for form, fit in fits.items()}
    if scores["second_order"] > scores["first_order"] + WORTH_A_LOOK and "integrating" not in fits:
        return plain
    return _with_causes(plain, window, noise, memory)


@dataclass(frozen=True)
class _Cause:
    """One lag behind something of the drive: a ramp of so many s, or a ceiling at a part of the answer."""

    fit: Fit
    score: float
    size: float


def _with_causes(plain: Choice, window: Window, noise: Noise, memory: float) -> Choice:
    """``plain``, or one lag behind a ramp or under a ceiling where that explains the step clearly better."""
    first = plain.candidates["first_order"]
    best = min(fit.information_criterion(memory) for fit in plain.candidates.values())
    ceilings = _ceilings(first, window, noise, memory)
    ceiling = min(ceilings, key=lambda one: one.score)
    if ceiling.score < best - CEILING_BETTER:
        return replace(plain, ceiling=ceiling.size, reason=f"BIC: a ceiling, better by {best - ceiling.score:.1f}")
    plain = replace(plain, ceiling_evidence=best - ceiling.score)
    ramp = _hidden_ramp(first, window, noise, memory)
    if ramp is None:
        return _widened(plain, ceilings, memory)
    if ramp.score < best - CLEARLY_BETTER:
        reason = f"BIC: one lag behind a ramp of {ramp.size:.2f} s, better by {best - ramp.score:.1f}"
        candidates: dict[Form, Fit] = {**plain.candidates, "first_order": ramp.fit}
        rivals = (plain.candidates["second_order"],)
        return Choice(ramp.fit, candidates, plain.worse_by, reason, ramp.size, rivals=rivals)
    return _widened(_widened(plain, [ramp], memory), ceilings, memory)


def _widened(plain: Choice, causes: Sequence[_Cause], memory: float) -> Choice:
    """``plain`` with the gains and dead times in its errors that other causes mean, as far as each is likely."""
    scores = np.array([plain.fit.information_criterion(memory), *(cause.score for cause in causes)])
    likely = np.exp(-0.5 * (scores - scores.min()))
    likely = likely[1:] / likely.sum()
    if likely.sum() < 0.01:
        return plain
    found, models = plain.fit.model, [cause.fit.model for cause in causes]
    gain = float(likely @ [(found.gain - model.gain) ** 2 for model in models])
    dead = float(likely @ [(found.dead_time_s - model.dead_time_s) ** 2 for model in models])
    return replace(
        plain,
        fit=with_doubt(plain.fit, (gain, dead)),
        rivals=(*plain.rivals, causes[int(np.argmax(likely))].fit),
        doubt=(plain.doubt[0] + gain, plain.doubt[1] + dead),
    )


def with_doubt(fit: Fit, doubt: tuple[float, float]) -> Fit:
    """``fit`` with variances of gain and dead time added to its covariance."""
    covariance = fit.covariance.copy()
    covariance[0, 0] += doubt[0]
    covariance[-1, -1] += doubt[1]
    return replace(fit, covariance=covariance)


def _ceilings(first: Fit, window: Window, noise: Noise, memory: float) -> list[_Cause]:
    """Ceilings of one lag; stopped short of its end, an answer looks quicker than its lag is."""
    causes = []
    for part in CEILINGS:
        lag = first.model.time_constant_s / part
        start = replace(first.model, time_constant_s=lag, dead_time_s=0.5 * first.model.dead_time_s)
        fit = fit_model([replace(window, ceiling=part)], start, noise)
        causes.append(_Cause(fit, _score(fit, memory), part))
    return causes


def _hidden_ramp(first: Fit, window: Window, noise: Noise, memory: float) -> _Cause | None:
    """The likeliest ramp longer than the lever's own; None where the answer leaves no room for one."""
    from scipy.optimize import minimize_scalar

    model = first.model
    longest = min(LONGEST_HIDDEN_RAMP_S, 2.0 * model.dead_time_s + 2.0 * model.time_constant_s)
    if longest <= window.ramp_s + 0.01:
        return None

    def fitted(ramp_s: float) -> Fit:
        dead = max(model.dead_time_s - (ramp_s - window.ramp_s) / 2.0, 0.0)
        return fit_model([replace(window, ramp_s=float(ramp_s))], replace(model, dead_time_s=dead), noise)

    bounds = (window.ramp_s, longest)
    found = minimize_scalar(lambda ramp: fitted(ramp).squares, bounds=bounds, options={"xatol": 0.01, "maxiter": 12})
    best = float(found.x)
    fit = fitted(best)
    beside = [fitted(max(best - BESIDE_S, 0.0)), fitted(best + BESIDE_S)]
    return _Cause(_with_doubt(fit, beside), _score(fit, memory), best)


def _with_doubt(fit: Fit, beside: Sequence[Fit]) -> Fit:
    """``fit`` of a certain ramp with the doubt about its length in its errors, by a shorter and a longer one."""
    low, high = beside
    bend = (low.squares + high.squares - 2.0 * fit.squares) / (2.0 * BESIDE_S**2)
    variance = fit.unexplained * fit.memory / bend if bend > 0.0 else LONGEST_HIDDEN_RAMP_S**2
    values = [np.array(list(one.model.parameters().values())) for one in (low, high)]
    by_ramp = (values[1] - values[0]) / (2.0 * BESIDE_S)
    return replace(fit, covariance=fit.covariance + variance * np.outer(by_ramp, by_ramp))


def _score(fit: Fit, memory: float) -> float:
    """Schwarz's criterion with one parameter more than the form has: the ramp, or the ceiling."""
    return fit.information_criterion(memory) + math.log(max(fit.samples / memory, 2.0))


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
