"""How uncertain each measured speed is, and how neighbours share their errors.

Two sources, both estimated from the holds of the record itself. *Unsteadiness* of the speed is the same at every
speed. *Edge jitter*, of which the rounding of edge times is the floor, grows with the square of the speed,
d(rpm) = rpm^2 / 60 d(period), and one late edge lengthens one period and shortens the next by the same amount.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop.record import TICK_S, SpeedRecord

# parts of the variance tried for edge jitter; ever finer near one: a little unsteadiness adds up over many turns,
# jitter does not
JITTER_PARTS = (0.0, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999, 0.9999, 1.0)
FEWEST_SAMPLES = 12
THIN_ABOVE = 4.0  # variance of the angle by unsteadiness over that by jitter from which edges between tell nothing new


@dataclass(frozen=True)
class Noise:
    """Variance of a speed sample: ``steady + jitter`` in the two shapes described above.

    For averages between edges: unsteadiness ``steady`` in rpm^2 s, divided by the averaging time; ``jitter`` in s^2
    of edge time. For bare samples: ``steady`` in rpm^2; ``jitter`` in s^2 of a period, one per sample.
    """

    steady: float
    jitter: float

    def bears_thinning(self, record: SpeedRecord, group: int) -> bool:
        """Whether ``group`` averages of ``record`` made one lose nothing: unsteadiness in them drowns the jitter.

        Of a steady shaft every edge tells the angle anew, and none may be left out.
        """
        if not record.averaged:
            return True
        span, speed = float(np.median(np.diff(record.edge_s))), float(np.nanmedian(record.speed_rpm))
        return self.steady * group * span > THIN_ABOVE * 2.0 * self.jitter * speed**2

    def jitter_us(self) -> float:
        """Standard deviation of one edge in us."""
        return 1e6 * math.sqrt(self.jitter)


def edge_sensitivity(record: SpeedRecord) -> np.ndarray:
    """Rpm that one second of edge error makes of each value of ``record``, ``(n,)``; NaN where the value is."""
    if record.averaged:
        sensitivity: np.ndarray = record.speed_rpm / np.diff(record.edge_s)
        return sensitivity
    return record.speed_rpm**2 / 60.0


class Whitener:
    """Turns residuals of one stretch of record into independent ones of unit variance.

    ``record`` must be ``(n,)`` values of which only the finite ones are used; columns given to ``apply`` are
    ``(m,)`` or ``(m, k)`` over those m finite values. ``log_determinant`` is that of the covariance.
    """

    def __init__(self, record: SpeedRecord, noise: Noise) -> None:
        fine = np.flatnonzero(np.isfinite(record.speed_rpm))
        sensitivity = edge_sensitivity(record)[fine]
        if not record.averaged:
            variance = noise.steady + noise.jitter * sensitivity**2 + record.resolution_rpm**2 / 12.0
            self._set_diagonal(variance)
            return
        variance = noise.steady / np.diff(record.edge_s)[fine] + 2.0 * noise.jitter * sensitivity**2
        shared = -noise.jitter * sensitivity[1:] * sensitivity[:-1] * (np.diff(fine) == 1)
        if noise.jitter > 0.0 and len(fine) > 1:
            self._set_band(variance, shared)
        else:
            self._set_diagonal(variance)

    def _set_diagonal(self, variance: np.ndarray) -> None:
        self.band: np.ndarray | None = None
        self.scale = 1.0 / np.sqrt(variance)
        self.log_determinant = float(np.sum(np.log(variance)))

    def _set_band(self, variance: np.ndarray, shared: np.ndarray) -> None:
        from scipy.linalg import cholesky_banded

        band = np.vstack([variance, np.append(shared, 0.0)])
        factor: np.ndarray = cholesky_banded(band, lower=True, check_finite=False)
        self.band = factor
        self.log_determinant = 2.0 * float(np.sum(np.log(factor[0])))

    def apply(self, columns: np.ndarray) -> np.ndarray:
        """``columns`` with unit, independent errors, same shape."""
        if self.band is None:
            answer: np.ndarray = columns * (self.scale if columns.ndim == 1 else self.scale[:, None])
            return answer
        from scipy.linalg.lapack import dtbtrs

        solved, _ = dtbtrs(self.band, columns, uplo="L")
        result: np.ndarray = solved.reshape(columns.shape)
        return result


def noise_of_holds(holds: Sequence[SpeedRecord]) -> Noise:
    """Maximum-likelihood noise of ``holds``, stretches in which the speed only drifts along a straight line.

    Stretches of fewer than twelve finite values are left out; with none left, only the rounding of the edges (or of
    the values) counts. All stretches must be of one kind, averaged or not.
    """
    usable = [hold for hold in holds if np.isfinite(hold.speed_rpm).sum() >= FEWEST_SAMPLES]
    if not usable:
        return _floor(holds[0] if holds else None)
    candidates = [(_likelihood(usable, part), part) for part in JITTER_PARTS]
    (_, scale), part = max(candidates)
    steady, jitter = _of_part(usable, part)
    return Noise(scale * steady, max(scale * jitter, _floor(usable[0]).jitter))


def plain_noise(residual_rpm: np.ndarray, record: SpeedRecord) -> Noise:
    """Noise without edge jitter that explains the mean square of ``residual_rpm``, what a fit to ``record`` left."""
    square = max(float(np.mean(residual_rpm**2)), 1e-12)
    if not record.averaged:
        return Noise(square, 0.0)
    fine = np.isfinite(record.speed_rpm)
    return Noise(square / float(np.mean(1.0 / np.diff(record.edge_s)[fine])), 0.0)


def _floor(record: SpeedRecord | None) -> Noise:
    """Rounding of edge times to ticks: a uniform error, one twelfth of the tick squared."""
    averaged = record is not None and record.averaged
    return Noise(0.0 if averaged else 1.0, TICK_S**2 / 12.0 if averaged else 0.0)


def _of_part(holds: Sequence[SpeedRecord], part: float) -> tuple[float, float]:
    """Steady and jitter terms of unit mean variance in which jitter has ``part``."""
    sensitivity = np.concatenate([edge_sensitivity(hold) for hold in holds])
    per_jitter = (2.0 if holds[0].averaged else 1.0) * float(np.nanmean(sensitivity**2))
    spans = np.concatenate([np.diff(hold.edge_s) for hold in holds]) if holds[0].averaged else np.ones(1)
    return (1.0 - part) / float(np.mean(1.0 / spans)), part / per_jitter


def _likelihood(holds: Sequence[SpeedRecord], part: float) -> tuple[float, float]:
    """Log-likelihood of the holds with ``part`` of the variance in jitter, and the scale that maximises it."""
    noise = Noise(*_of_part(holds, part))
    squares, log_determinant, count = 0.0, 0.0, 0
    for hold in holds:
        whitener = Whitener(hold, noise)
        fine = np.isfinite(hold.speed_rpm)
        time = hold.mid_s[fine] - hold.edge_s[0]
        line = whitener.apply(np.column_stack([np.ones_like(time), time]))
        speed = whitener.apply(hold.speed_rpm[fine])
        fitted = np.linalg.lstsq(line, speed, rcond=None)[0]
        squares += float(np.sum((speed - line @ fitted) ** 2))
        log_determinant += whitener.log_determinant
        count += len(speed) - 2
    scale = max(squares / count, 1e-12)
    return -0.5 * (count * math.log(scale) + log_determinant), scale
