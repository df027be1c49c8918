"""One model for all steps of a kind, and whether one model is the truth.

A drive is not linear: its gain and its lags move with speed and load. The pooled model is the best single one; the
scatter of the single steps about it, beyond their own standard errors, is kept beside it and widens what is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import Kind
from whirlbench.analysis.speed_loop.model_choice import Choice, choose_among, with_doubt
from whirlbench.analysis.speed_loop.model_fit import Fit, Window, fit_model
from whirlbench.analysis.speed_loop.models import LoopModel
from whirlbench.analysis.speed_loop.noise import Noise

UNLIKE = 3.0  # scatter over standard error (root of chi-square per freedom) from which the steps differ for certain


@dataclass(frozen=True)
class Pooled:
    """The model common to ``steps`` steps of one ``kind``.

    ``choice.fit.covariance`` is that of the common model if it is true. ``between`` is the covariance of the
    parameters between steps beyond their own errors (zero for one step), ``disagreement`` the scatter in units of
    what the steps' own standard errors allow (about 1 when one model is true).
    """

    kind: Kind
    steps: int
    choice: Choice
    between: np.ndarray
    disagreement: float

    @property
    def model(self) -> LoopModel:
        """The common model."""
        return self.choice.fit.model

    @property
    def scatter(self) -> dict[str, float]:
        """Standard deviation of each parameter between steps, beyond their own errors."""
        return dict(zip(self.model.parameters(), np.sqrt(np.diag(self.between)).tolist(), strict=True))

    def stderr(self) -> dict[str, float]:
        """Standard errors of the common model, roots of the diagonal of ``covariance``."""
        spread = np.sqrt(np.diag(self.covariance()))
        return dict(zip(self.model.parameters(), spread.tolist(), strict=True))

    def covariance(self) -> np.ndarray:
        """Covariance of the common model as the mean of unlike steps: its own plus scatter over the number of steps."""
        covariance: np.ndarray = self.choice.fit.covariance + self.between / self.steps
        return covariance

    def unlike(self) -> bool:
        """Whether the steps certainly do not share one model."""
        return self.disagreement > UNLIKE


def pool(singles: Sequence[tuple[Window, Choice]], noise: Noise, kind: Kind) -> Pooled:
    """The common model of ``singles``, windows with their own choices, at least one; noise as for the single fits."""
    windows = [window for window, _ in singles]
    if len(singles) == 1:
        choice = singles[0][1]
        fit = choice.fit
        return Pooled(kind, 1, choice, np.zeros_like(fit.covariance), 1.0)
    models = [choice.fit.model for _, choice in singles]
    first = fit_model(windows, _one_lag(models), noise)
    second = fit_model(windows, _two_lags(models), noise)
    choice = choose_among(first, second)
    between = _disagreement([own for _, own in singles], choice.fit)
    doubts = [own.doubt for _, own in singles]  # of one cause, which many steps do not make smaller
    doubt = max(gain for gain, _ in doubts), max(dead for _, dead in doubts)
    return Pooled(kind, len(singles), replace(choice, fit=with_doubt(choice.fit, doubt), doubt=doubt), *between)


def _one_lag(models: Sequence[LoopModel]) -> LoopModel:
    lags = [sum(model.lags_s()) for model in models]
    dead = float(np.median([model.dead_time_s for model in models]))
    return LoopModel("first_order", 1.0, dead, time_constant_s=float(np.median(lags)))


def _two_lags(models: Sequence[LoopModel]) -> LoopModel:
    pairs = [model for model in models if model.form == "second_order"]
    if not pairs:
        lag, dead = _one_lag(models).time_constant_s, _one_lag(models).dead_time_s
        damping = 2.0
        frequency = 2.0 * damping / (lag + dead / 2.0)
        return LoopModel("second_order", 1.0, dead / 2.0, damping_ratio=damping, natural_frequency_rad_s=frequency)
    return LoopModel(
        "second_order", 1.0, float(np.median([pair.dead_time_s for pair in pairs])),
        damping_ratio=math.exp(float(np.median(np.log([pair.damping_ratio for pair in pairs])))),
        natural_frequency_rad_s=math.exp(float(np.median(np.log([pair.natural_frequency_rad_s for pair in pairs])))),
    )  # fmt: skip


def _disagreement(choices: Sequence[Choice], common: Fit) -> tuple[np.ndarray, float]:
    """Covariance between steps fitted in the common form, beyond their errors; root of reduced chi-square."""
    fits = [choice.candidates[common.model.form] for choice in choices if common.model.form in choice.candidates]
    values = np.array([list(fit.model.parameters().values()) for fit in fits])
    own = np.array([fit.covariance for fit in fits])
    deviation = values - values.mean(axis=0)
    excess = deviation.T @ deviation / (len(fits) - 1) - own.mean(axis=0)
    own_variance = np.maximum(np.diagonal(own, axis1=1, axis2=2), 1e-300)
    weighted = np.sum(deviation**2 / own_variance) / ((len(fits) - 1) * values.shape[1])
    return _without_negative(excess), math.sqrt(float(weighted))


def _without_negative(covariance: np.ndarray) -> np.ndarray:
    """The nearest matrix that can be a covariance: negative variances along its axes set to zero, axes kept.

    Parameters are scaled to their own size first, so that a gain of 8 does not drown a dead time of 0.01.
    """
    scale = np.sqrt(np.maximum(np.abs(np.diag(covariance)), 1e-300))
    values, axes = np.linalg.eigh(covariance / np.outer(scale, scale))
    positive: np.ndarray = (axes * np.maximum(values, 0.0)) @ axes.T * np.outer(scale, scale)
    return positive
