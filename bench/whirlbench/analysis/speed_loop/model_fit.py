"""Maximum-likelihood fit of one model to one step, or to several at once.

Gain, speed before the step and drift (the pack sags, the air warms) enter linearly, so they are projected out and only
the shape of the answer is searched for: variable projection, Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973),
with Kaufman's simplified derivative (1975); both from memory. The search is Levenberg-Marquardt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whirlbench.analysis.speed_loop.models import PARAMETERS, Form, LoopModel, sampled_answer
from whirlbench.analysis.speed_loop.noise import Noise, Whitener, error_memory
from whirlbench.analysis.speed_loop.record import SpeedRecord

MOST_ROUNDS = 30
FLAT = 1e-2  # gain in chi-square at which the search ends: a tenth of a standard error, and the next is far smaller
DAMPING_RANGE = (0.03, 6.0)  # a pair more damped than this is one lag; less is a limit cycle, not a decay
NEARBY = 1e-6  # of the logarithm of a lag or of the evenness, for its derivative
NUISANCES = 2  # speed before the step, drift


@dataclass(frozen=True)
class Window:
    """One step as the fit sees it: ``record`` around ``at_s``, an input that moves by ``change`` within ``ramp_s``.

    ``at_s`` is known to within ``at_stderr_s``. ``ceiling``: the part of the whole answer beyond which the speed does
    not go, infinite where nothing holds it.
    """

    record: SpeedRecord
    at_s: float
    ramp_s: float
    change: float
    at_stderr_s: float = 0.0
    ceiling: float = math.inf


@dataclass(frozen=True)
class Fit:
    """A fitted model; ``covariance`` is that of ``model.parameters()`` in their order.

    ``noise`` is what the speeds were weighted with, ``unexplained`` the mean square of the residuals in units of it
    (1: nothing but noise), ``memory`` how many samples share one error (1: independent); both widen the covariance.
    ``squares`` can be compared between forms fitted to the same windows with the same noise. ``residual_rpm``: what
    is left of each window's finite speeds.
    """

    model: LoopModel
    covariance: np.ndarray
    samples: int
    unexplained: float
    memory: float
    squares: float
    noise: Noise
    before_rpm: tuple[float, ...] = ()
    drift_rpm_per_s: tuple[float, ...] = ()
    residual_rpm: tuple[np.ndarray, ...] = field(default=(), repr=False)
    converged: bool = True

    def stderr(self) -> dict[str, float]:
        """Standard error of each parameter, by name."""
        spread = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return dict(zip(PARAMETERS[self.model.form], spread.tolist(), strict=True))

    def information_criterion(self, memory: float) -> float:
        """Schwarz's criterion (Ann. Stat. 6, 1978, from memory) with the samples counted as ``memory`` to one."""
        count = max(self.samples / memory, 2.0)
        return count * math.log(self.squares / self.samples) + len(self.model.parameters()) * math.log(count)


class _Stretch:
    """One window, whitened, with speed before the step and drift projected out."""

    def __init__(self, window: Window, noise: Noise) -> None:
        record = window.record
        self.window = window
        self.fine = np.isfinite(record.speed_rpm)
        self.whitener = Whitener(record, noise)
        self.edges = record.edge_s - window.at_s
        time = (record.mid_s - window.at_s)[self.fine]
        self.nuisance = np.column_stack([np.ones_like(time), time])
        self.basis, self.triangle = np.linalg.qr(self.whitener.apply(self.nuisance))
        self.white = self.whitener.apply(record.speed_rpm[self.fine])
        self.speed = self.project(self.white)

    def project(self, white: np.ndarray) -> np.ndarray:
        remaining: np.ndarray = white - self.basis @ (self.basis.T @ white)
        return remaining

    def answer(self, model: LoopModel) -> tuple[np.ndarray, np.ndarray]:
        """Unit-gain answer to this window's move, and its slope in time."""
        window = self.window
        shape, slope = sampled_answer(model, self.edges, window.ramp_s, window.record.averaged)
        free = shape[self.fine] < window.ceiling
        shape = np.minimum(shape[self.fine], window.ceiling)
        return window.change * shape, window.change * slope[self.fine] * free

    def nuisances(self, model: LoopModel) -> tuple[np.ndarray, np.ndarray]:
        """Speed before the step and drift, and what remains of the speeds, in rpm."""
        explained = model.gain * self.answer(model)[0]
        left = self.white - self.whitener.apply(explained)
        values = np.linalg.solve(self.triangle, self.basis.T @ left)
        raw = self.window.record.speed_rpm[self.fine] - explained - self.nuisance @ values
        return values, raw


def model_of(form: Form, shape: np.ndarray, gain: float = 1.0) -> LoopModel:
    """The model behind the searched ``shape``: log of the sum of lags, their evenness, dead time (as the form has).

    Evenness is the product of the two lags over the square of their sum, 1 / (4 z^2): the answer is linear in it where
    the second lag vanishes, where a damping ratio would run away.
    """
    dead = float(shape[-1])
    if form == "integrating":
        return LoopModel(form, gain, dead)
    lag = math.exp(shape[0])
    if form == "first_order":
        return LoopModel(form, gain, dead, time_constant_s=lag)
    damping = 0.5 / math.sqrt(shape[1])
    return LoopModel(form, gain, dead, damping_ratio=damping, natural_frequency_rad_s=2.0 * damping / lag)


def shape_of(model: LoopModel) -> np.ndarray:
    """The searched shape of ``model``: inverse of ``model_of``."""
    if model.form == "integrating":
        return np.array([model.dead_time_s])
    if model.form == "first_order":
        return np.array([math.log(model.time_constant_s), model.dead_time_s])
    lag = 2.0 * model.damping_ratio / model.natural_frequency_rad_s
    return np.array([math.log(lag), 0.25 / model.damping_ratio**2, model.dead_time_s])


def fit_model(windows: Sequence[Window], start: LoopModel, noise: Noise) -> Fit:
    """The model of ``start``'s form that explains ``windows`` best, all with one gain and one shape.

    ``start`` gives the first guess; a window needs at least eight finite speeds (ValueError otherwise).
    NaN speeds are left out. Speed before the step and drift are each window's own.
    """
    if any(np.isfinite(window.record.speed_rpm).sum() < 8 for window in windows):
        raise ValueError("a window to be fitted holds fewer than eight speeds")
    stretches = [_Stretch(window, noise) for window in windows]
    search = _Search(stretches, start.form, noise)
    shape, converged = search.run(shape_of(start))
    return _finished(search, shape, converged)


class _Search:
    """Levenberg-Marquardt over the shape; the gain follows linearly."""

    def __init__(self, stretches: list[_Stretch], form: Form, noise: Noise) -> None:
        self.stretches, self.form, self.noise = stretches, form, noise
        self.speed = np.concatenate([stretch.speed for stretch in stretches])
        length = max(float(stretch.edges[-1]) for stretch in stretches)
        lags = (math.log(2e-3), math.log(30.0 * length))
        evenness = (0.25 / DAMPING_RANGE[1] ** 2, 0.25 / DAMPING_RANGE[0] ** 2)
        bounds = {"first_order": [lags], "second_order": [lags, evenness], "integrating": []}[form]
        early = 2.0 * max(math.sqrt(_timing_variance([stretch.window])) for stretch in stretches)
        self.low, self.high = np.array([*bounds, (-early, 0.7 * length)]).T

    def answers(self, shape: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Unit-gain answer over all stretches and its derivatives by the shape, both projected."""
        model = model_of(self.form, shape)
        nearby = [model_of(self.form, shape + NEARBY * row) for row in np.eye(len(shape))[:-1]]
        parts = []
        for stretch in self.stretches:
            answer, slope = stretch.answer(model)
            turned = [(stretch.answer(other)[0] - answer) / NEARBY for other in nearby]
            columns = np.column_stack([answer, *turned, -slope])
            parts.append(stretch.project(stretch.whitener.apply(columns)))
        stacked = np.concatenate(parts)
        return stacked[:, 0], stacked[:, 1:]

    def remainder(self, answer: np.ndarray) -> tuple[float, np.ndarray]:
        """Best gain for ``answer`` and what it leaves."""
        power = float(answer @ answer)
        gain = float(answer @ self.speed) / power if power > 0.0 else 0.0
        return gain, self.speed - gain * answer

    def run(self, shape: np.ndarray) -> tuple[np.ndarray, bool]:
        """Shape of least squares from ``shape`` on, and whether the search came to rest."""
        shape = np.clip(shape, self.low, self.high)
        answer, slopes = self.answers(shape)
        gain, left = self.remainder(answer)
        squares, damping = float(left @ left), 1e-3
        for _ in range(MOST_ROUNDS):
            move, promised = self._move(shape, answer, slopes, gain, left, damping)
            if damping < 1.0 and promised < FLAT * squares / len(left):
                return shape, True  # more damped, a step promises little only for being short
            trial = np.clip(shape + move, self.low, self.high)
            trial_answer, trial_slopes = self.answers(trial)
            trial_gain, trial_left = self.remainder(trial_answer)
            trial_squares = float(trial_left @ trial_left)
            if trial_squares >= squares:
                damping *= 8.0
                if damping > 1e6 or np.allclose(trial, shape, rtol=0.0, atol=1e-7):
                    return shape, True
                continue
            settled = squares - trial_squares < FLAT * squares / len(left)
            shape, answer, slopes, gain, left = trial, trial_answer, trial_slopes, trial_gain, trial_left
            squares, damping = trial_squares, damping / 8.0
            if settled:
                return shape, True
        return shape, False

    def _move(
        self, shape: np.ndarray, answer: np.ndarray, slopes: np.ndarray, gain: float, left: np.ndarray, damping: float
    ) -> tuple[np.ndarray, float]:
        """A damped Gauss-Newton step and the decrease it promises; what stands at a bound and would leave it stays."""
        free = gain * (slopes - np.outer(answer, answer @ slopes) / max(float(answer @ answer), 1e-300))
        uphill = free.T @ left
        held = ((shape <= self.low) & (uphill < 0.0)) | ((shape >= self.high) & (uphill > 0.0))
        free[:, held] = 0.0
        normal = free.T @ free
        normal[np.diag_indices_from(normal)] += damping * np.diag(normal) + 1e-12
        uphill = np.where(held, 0.0, uphill)
        move = np.linalg.solve(normal, uphill)
        inside = np.clip(shape + move, self.low, self.high) - shape
        return move, float(inside @ uphill)


def _finished(search: _Search, shape: np.ndarray, converged: bool) -> Fit:
    answer, slopes = search.answers(shape)
    gain, left = search.remainder(answer)
    model = model_of(search.form, shape, gain)
    samples = len(left)
    freedom = max(samples - 1 - len(shape) - NUISANCES * len(search.stretches), 1)
    unexplained = float(left @ left) / freedom
    memory = error_memory(_split(left, search.stretches))
    jacobian = np.column_stack([answer, gain * slopes])
    searched = np.linalg.pinv(jacobian.T @ jacobian) * unexplained * memory
    turned = _turn(model)
    covariance = turned @ searched @ turned.T
    covariance[-1, -1] += _timing_variance([stretch.window for stretch in search.stretches])
    nuisances = [stretch.nuisances(model) for stretch in search.stretches]
    model = replace(model, dead_time_s=max(model.dead_time_s, 0.0))  # the move may have been a little later than seen
    return Fit(
        model, covariance, samples, unexplained, memory, float(left @ left), search.noise,
        tuple(float(values[0]) for values, _ in nuisances), tuple(float(values[1]) for values, _ in nuisances),
        tuple(raw for _, raw in nuisances), converged,
    )  # fmt: skip


def _timing_variance(windows: Sequence[Window]) -> float:
    """What is not known of the instants of the moves and of the record's delay, in s^2.

    Neither shrinks with the number of steps: a log may run in step with whatever moves the lever.
    """
    return max(window.at_stderr_s**2 + window.record.delay_stderr_s**2 for window in windows)


def _split(left: np.ndarray, stretches: list[_Stretch]) -> list[np.ndarray]:
    return np.split(left, np.cumsum([len(stretch.speed) for stretch in stretches])[:-1])


def _turn(model: LoopModel) -> np.ndarray:
    """Derivative of the reported parameters by (gain, searched shape)."""
    if model.form == "integrating":
        return np.eye(2)
    if model.form == "first_order":
        return np.diag([1.0, model.time_constant_s, 1.0])
    z, w = model.damping_ratio, model.natural_frequency_rad_s
    by_evenness = -2.0 * z * z  # of the logarithms of damping ratio and frequency
    return np.array([[1, 0, 0, 0], [0, 0, z * by_evenness, 0], [0, -w, w * by_evenness, 0], [0, 0, 0, 1]])
