"""How uncertain each measured speed is, and how neighbours share their errors.

Three sources, all estimated from the holds of the record itself. *Unsteadiness* of the speed is the same at every
speed. *Edge jitter*, of which the rounding of edge times is the floor, grows with the square of the speed,
d(rpm) = rpm^2 / 60 d(period), and one late edge lengthens one period and shortens the next by the same amount.
*Wander* is what gusts do: the speed stays off for a while. It is a first-order process (Ornstein and Uhlenbeck, Phys.
Rev. 36, 1930, from memory), of which neighbours share most, so that many samples of one gust count as one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.speed_loop.record import TICK_S, SpeedRecord

# parts of the variance tried for edge jitter; ever finer near one: a little unsteadiness adds up over many turns,
# jitter does not
JITTER_PARTS = (0.0, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999, 0.9999, 1.0)
FEWEST_SAMPLES = 12
WANDERS_FROM = 1.25  # residuals of the holds that share one error from which a wander is looked for
WANDER_BETTER = 3.0  # log-likelihood that its two parameters must gain: half of "strong" evidence in BIC's units
WANDER_TIMES = (0.05, 0.15, 0.5, 1.5)  # s, and
WANDER_SHARES = (0.05, 0.5, 5.0, 50.0)  # variances over that of the rest: where the search begins
LONGEST_WANDER_S = 6.0  # a slower one is the drift of a window
ROUNDED_S = 1.0  # how long a rounded hold is off by the same part of a step, at least
LONGEST_MEMORY = 40  # residuals looked back at for correlation that the noise model does not know
THIN_ABOVE = 4.0  # variance of the angle by unsteadiness over that by jitter from which edges between tell nothing new


@dataclass(frozen=True)
class Noise:
    """Variance of a speed sample: ``steady + jitter + wander`` in the shapes described above.

    For averages between edges: unsteadiness ``steady`` in rpm^2 s, divided by the averaging time; ``jitter`` in s^2
    of edge time. For bare samples: ``steady`` in rpm^2; ``jitter`` in s^2 of a period, one per sample. ``wander`` in
    rpm^2, forgotten over ``wander_s``; zero where the holds show none.
    """

    steady: float
    jitter: float
    wander: float = 0.0
    wander_s: float = 1.0

    def scaled(self, factor: float) -> Noise:
        """The same shape with every variance ``factor`` times as large."""
        return replace(self, steady=factor * self.steady, jitter=factor * self.jitter, wander=factor * self.wander)

    def bears_thinning(self, record: SpeedRecord, group: int) -> bool:
        """Whether ``group`` averages of ``record`` made one lose nothing: unsteadiness in them drowns the jitter.

        Of a steady shaft every edge tells the angle anew, and none may be left out.
        """
        if self.wander > 0.0:
            return False  # its memory is told sample by sample
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


@dataclass(frozen=True)
class Values:
    """The finite values of stretches of record, one stretch behind the other: what noise and likelihood ask of them.

    ``span_s`` of averages (one for bare samples); ``time_s`` from the beginning of the stretch. Between neighbours:
    ``apart_s``, infinite from one stretch to the next, and whether they ``share`` an edge. ``firsts`` of each stretch.
    """

    speed_rpm: np.ndarray
    sensitivity: np.ndarray
    span_s: np.ndarray
    time_s: np.ndarray
    apart_s: np.ndarray
    share: np.ndarray
    firsts: np.ndarray
    averaged: bool
    resolution_rpm: float

    @classmethod
    def of(cls, records: Sequence[SpeedRecord]) -> Values:
        """Of ``records`` of one kind, each with a finite value at least."""
        fine = [np.flatnonzero(np.isfinite(one.speed_rpm)) for one in records]
        counts = [len(rows) for rows in fine]
        firsts = np.concatenate([[0], np.cumsum(counts)])[:-1]

        def joined(column: Callable[[SpeedRecord], np.ndarray]) -> np.ndarray:
            return np.concatenate([column(one)[rows] for one, rows in zip(records, fine, strict=True)])

        averaged = records[0].averaged
        mid, rows = joined(lambda one: one.mid_s), np.concatenate(fine)
        apart, share = np.diff(mid), (np.diff(rows) == 1) & averaged
        apart[firsts[1:] - 1], share[firsts[1:] - 1] = np.inf, False
        return cls(
            joined(lambda one: one.speed_rpm),
            joined(edge_sensitivity),
            joined(lambda one: np.diff(one.edge_s)) if averaged else np.ones(len(mid)),
            joined(lambda one: one.mid_s - one.edge_s[:1]),
            apart,
            share,
            firsts,
            averaged,
            records[0].resolution_rpm,
        )


class Whitener:
    """Turns residuals of stretches of record into independent ones of unit variance.

    ``values`` are those of several stretches, or one of ``(n,)`` values of which only the finite ones are used; columns
    given to ``apply`` are ``(m,)`` or ``(m, k)`` over the m finite values. ``log_determinant`` is that of the
    covariance.
    """

    def __init__(self, values: Values | SpeedRecord, noise: Noise) -> None:
        values = values if isinstance(values, Values) else Values.of([values])
        variance, shared = _own_errors(values, noise)
        self.innovation: tuple[np.ndarray, np.ndarray] | None = None
        if noise.wander > 0.0 and len(variance) > 2:
            self._set_wander(variance, shared, values.apart_s, noise)
        elif shared.any():
            self._set_band(np.vstack([variance, np.append(shared, 0.0)]))
        else:
            self._set_diagonal(variance)

    def _set_diagonal(self, variance: np.ndarray) -> None:
        self.band: np.ndarray | None = None
        self.scale = 1.0 / np.sqrt(variance)
        self.log_determinant = float(np.sum(np.log(variance)))

    def _set_band(self, band: np.ndarray) -> None:
        from scipy.linalg import cholesky_banded

        factor: np.ndarray = cholesky_banded(band, lower=True, check_finite=False)
        self.band = factor
        self.log_determinant = 2.0 * float(np.sum(np.log(factor[0])))

    def _set_wander(self, variance: np.ndarray, shared: np.ndarray, apart_s: np.ndarray, noise: Noise) -> None:
        """The wander's own whitening is a difference of neighbours; behind it all covariances stay within two."""
        keep = np.exp(-apart_s / noise.wander_s)
        own = 1.0 / np.sqrt(noise.wander * np.append(1.0, -np.expm1(-2.0 * apart_s / noise.wander_s)))
        before = -keep * own[1:]
        band = np.zeros((3, len(own)))
        band[0] = 1.0 + own**2 * variance
        band[0, 1:] += before**2 * variance[:-1] + 2.0 * own[1:] * before * shared
        band[1, :-1] = own[1:] * own[:-1] * shared + before * own[:-1] * variance[:-1]
        band[1, 1:-1] += before[1:] * before[:-1] * shared[:-1]
        band[2, :-2] = before[1:] * own[:-2] * shared[:-1]
        self._set_band(band)
        self.innovation = own, before
        self.log_determinant -= 2.0 * float(np.sum(np.log(own)))

    def apply(self, columns: np.ndarray) -> np.ndarray:
        """``columns`` with unit, independent errors, same shape."""
        if self.band is None:
            answer: np.ndarray = columns * (self.scale if columns.ndim == 1 else self.scale[:, None])
            return answer
        from scipy.linalg.lapack import dtbtrs

        if self.innovation is not None:
            own, before = self.innovation if columns.ndim == 1 else (part[:, None] for part in self.innovation)
            turned = own * columns
            turned[1:] += before * columns[:-1]
            columns = turned
        solved, _ = dtbtrs(self.band, columns, uplo="L")
        result: np.ndarray = solved.reshape(columns.shape)
        return result


def _own_errors(values: Values, noise: Noise) -> tuple[np.ndarray, np.ndarray]:
    """Variance of each of ``values`` and what neighbours share of it, wander left out."""
    sensitivity = values.sensitivity
    if not values.averaged:
        variance = noise.steady + noise.jitter * sensitivity**2 + values.resolution_rpm**2 / 12.0
        return variance, np.zeros(max(len(variance) - 1, 0))
    variance = noise.steady / values.span_s + 2.0 * noise.jitter * sensitivity**2
    return variance, -noise.jitter * sensitivity[1:] * sensitivity[:-1] * values.share


def noise_of_holds(holds: Sequence[SpeedRecord]) -> Noise:
    """Maximum-likelihood noise of ``holds``, stretches in which the speed only drifts along a straight line.

    Stretches of fewer than twelve finite values are left out; with none left, only the rounding of the edges (or of
    the values) counts. All stretches must be of one kind, averaged or not. The likelihood is the restricted one: the
    line taken out of each hold takes some of a slow wander with it.
    """
    usable = [hold for hold in holds if np.isfinite(hold.speed_rpm).sum() >= FEWEST_SAMPLES]
    if not usable:
        return _floor(holds[0] if holds else None)
    step, usable = usable[0].resolution_rpm, [replace(hold, resolution_rpm=0.0) for hold in usable]
    values = Values.of(usable)
    shapes = [Noise(*_of_part(values, part)) for part in JITTER_PARTS]
    fits = [_likelihood(values, shape) for shape in shapes]
    best = max(range(len(fits)), key=lambda number: fits[number].value)
    noise = shapes[best].scaled(fits[best].scale)
    if error_memory(fits[best].white) > WANDERS_FROM:
        shortest_s = 2.0 * float(np.median(np.diff(usable[0].edge_s)))
        noise = _wandering(values, noise, fits[best].value, shortest_s)
    noise = replace(noise, jitter=max(noise.jitter, _floor(usable[0]).jitter))
    return _with_rounding(noise, usable[0], step) if step > 0.0 else noise


def _with_rounding(noise: Noise, hold: SpeedRecord, step: float) -> Noise:
    """``noise`` with what rounding leaves of a quiet speed: a whole hold is off by one and the same part of a step.

    A scatter of half a step rounds it away (the first harmonic of the error falls with exp(-2 (pi s / q)^2): Widrow and
    Kollar, Quantization Noise, from memory); without it four holds off together are as one hold off twice as far.
    """
    span = float(np.median(np.diff(hold.edge_s))) if hold.averaged else 1.0
    found = noise.steady / span + noise.jitter * float(np.nanmean(edge_sensitivity(hold) ** 2))
    scatter = max(found - step**2 / 12.0, 1e-6 * step**2)  # what the steps themselves make of it taken off
    if not hold.averaged:  # their own errors are counted again in the weights of bare samples
        kept = scatter / max(found, scatter)
        noise = replace(noise, steady=kept * noise.steady, jitter=kept * noise.jitter)
    left = step**2 / 3.0 * math.exp(-4.0 * math.pi**2 * scatter / step**2)
    if left < 0.01 * scatter or left < noise.wander:
        return noise
    return replace(noise, wander=left, wander_s=ROUNDED_S)


def _wandering(holds: Values, still: Noise, value: float, shortest_s: float) -> Noise:
    """Noise with a wander where that explains the holds clearly better than ``still`` of log-likelihood ``value``."""
    from scipy.optimize import minimize

    def shape(where: np.ndarray) -> Noise:
        part = 1.0 / (1.0 + math.exp(-min(max(float(where[2]), -12.0), 12.0)))
        seconds = min(max(math.exp(min(where[1], 9.0)), shortest_s), LONGEST_WANDER_S)
        return Noise(*_of_part(holds, part), math.exp(min(max(float(where[0]), -12.0), 12.0)), seconds)

    def cost(where: np.ndarray) -> float:
        return -_likelihood(holds, shape(where)).value

    starts = [np.log([share, time]) for share in WANDER_SHARES for time in WANDER_TIMES]
    parts = (-3.0, 3.0) if holds.averaged else (-3.0,)
    start = min((np.append(one, part) for one in starts for part in parts), key=cost)
    found = minimize(cost, start, method="Nelder-Mead", options={"maxfev": 80, "xatol": 0.1, "fatol": 0.1})
    if -found.fun < value + WANDER_BETTER:
        return still
    return shape(found.x).scaled(_likelihood(holds, shape(found.x)).scale)


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


def _of_part(holds: Values, part: float) -> tuple[float, float]:
    """Steady and jitter terms of unit mean variance in which jitter has ``part``."""
    per_jitter = (2.0 if holds.averaged else 1.0) * float(np.mean(holds.sensitivity**2))
    return (1.0 - part) / float(np.mean(1.0 / holds.span_s)), part / per_jitter


@dataclass(frozen=True)
class _Explained:
    """Restricted log-likelihood of holds, the scale of the noise that maximises it, and what is left, whitened."""

    value: float
    scale: float
    white: list[np.ndarray]


def _likelihood(holds: Values, noise: Noise) -> _Explained:
    """How well ``noise``, but for its scale, explains ``holds`` about a straight line each."""
    whitener = Whitener(holds, noise)
    columns = np.column_stack([np.ones_like(holds.time_s), holds.time_s, holds.speed_rpm])
    level, lean, left = whitener.apply(columns).T
    log_determinant = whitener.log_determinant
    sizes = np.diff(np.append(holds.firsts, len(left)))

    def sums(values: np.ndarray) -> np.ndarray:
        found: np.ndarray = np.add.reduceat(values, holds.firsts)
        return found

    lean = lean - level * np.repeat(sums(level * lean) / sums(level**2), sizes)
    for line in (level, lean):  # at right angles to each other in every hold
        square = sums(line**2)
        left = left - line * np.repeat(sums(line * left) / square, sizes)
        log_determinant += float(np.sum(np.log(square)))
    count = len(left) - 2 * len(sizes)
    scale = max(float(left @ left) / count, 1e-12)
    value = -0.5 * (count * math.log(scale) + log_determinant)
    return _Explained(value, scale, np.split(left, holds.firsts[1:]))


def error_memory(parts: Sequence[np.ndarray]) -> float:
    """How many neighbouring residuals act as one, at least 1: one plus twice the sum of their correlations.

    Correlations are summed up to the first that is within twice its own standard error, 1/sqrt(n); what is left of
    a misfit or a hunting speed thereby widens the standard errors. Source: integrated autocorrelation time.
    """
    count = sum(len(part) for part in parts)
    power = sum(float(part @ part) for part in parts)
    if count < 20 or power <= 0.0:
        return 1.0
    memory, doubt = 1.0, 2.0 / math.sqrt(count)
    for lag in range(1, min(LONGEST_MEMORY, count // 4) + 1):
        correlation = sum(float(part[lag:] @ part[:-lag]) for part in parts if len(part) > lag) / power
        if correlation < doubt:
            break
        memory += 2.0 * correlation
    return memory
