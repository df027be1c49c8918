"""Resonances that orders pass through in a run-up or coast-down: speed, natural frequency, damping."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from whirlbench.analysis.orders.tracking import OrderTracks, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

LEAST_RANGE = 1.25  # a ramp must cover at least this ratio of speeds to show both flanks; our choice
LEAST_FRAMES = 12
FAST_SWEEP = (
    3.6  # Hz/s per (f * damping ratio)^2: linear sweeps slower than this keep a peak in place (ISO 7626-2, from memory)
)
HIGHEST_DAMPING = 0.5  # a broader hump than this is not called a resonance
BEST_MISFIT = 0.35  # rms misfit over rms response above which the model is refused


@dataclass(frozen=True)
class Ramp:
    """A stretch of steadily rising or falling speed, ``from_s`` to ``to_s``."""

    from_s: float
    to_s: float
    rising: bool


@dataclass(frozen=True)
class Resonance:
    """One resonance met by ``order`` on ``axis``.

    ``rpm`` is the shaft speed at which the order meets ``natural_hz``; ``stderr_hz`` and ``stderr_damping`` come from
    the fit's scatter; ``swept_too_fast`` warns that the peak is blunted and displaced.
    """

    axis: str
    order: int
    ramp: Ramp
    rpm: float
    natural_hz: float
    damping_ratio: float
    stderr_hz: float
    stderr_damping: float
    swept_too_fast: bool


def find_ramps(time_s: np.ndarray, rpm: np.ndarray) -> tuple[Ramp, ...]:
    """Stretches in which ``rpm`` rises or falls throughout by a ratio of 1.25 or more; NaN ends a stretch."""
    good = np.isfinite(rpm)
    trend = np.where(good[1:] & good[:-1], np.sign(np.diff(rpm)), 0.0)
    still = np.abs(np.diff(rpm)) < 1e-4 * np.nan_to_num(rpm[1:], nan=1.0)
    trend[still] = 0.0
    edges = np.concatenate([[0], np.flatnonzero(np.diff(trend)) + 1, [len(trend)]])
    ramps = []
    for first, last in pairwise(edges):
        if trend[first] != 0 and last - first + 1 >= LEAST_FRAMES:
            ends = rpm[[first, last]]
            if ends.max() >= LEAST_RANGE * ends.min():
                ramps.append(Ramp(float(time_s[first]), float(time_s[last]), bool(trend[first] > 0)))
    return tuple(ramps)


def find_resonances(run: Run, orders: tuple[int, ...] = (1, 2, 3, 4), step_s: float = 0.1) -> tuple[Resonance, ...]:
    """Every resonance that an order passes in a ramp of ``run``, per axis.

    Raises AnalysisError without vibration or speed, and when the run holds no ramp that covers a ratio of 1.25 in
    speed.
    An order whose response does not look like one resonance gives nothing. Frames are 2 * ``step_s`` long.
    """
    tracks = track_orders(run, orders, step_s)
    ramps = find_ramps(tracks.time_s, tracks.rpm)
    if not ramps:
        raise AnalysisError("no run-up or coast-down covers a speed ratio of 1.25: resonances cannot be found")
    found = [fit_ramp(tracks, ramp, axis, order) for ramp in ramps for axis in tracks.axes for order in orders]
    return tuple(one for one in found if one is not None)


def fit_ramp(tracks: OrderTracks, ramp: Ramp, axis: str, order: int) -> Resonance | None:
    """The resonance of one order on one axis in one ramp, or None where the data do not show one."""
    inside = (tracks.time_s >= ramp.from_s) & (tracks.time_s <= ramp.to_s)
    phasor, rpm = tracks.phasor(axis, order)[inside], tracks.rpm[inside]
    good = np.isfinite(phasor) & np.isfinite(rpm)
    if good.sum() < LEAST_FRAMES:
        return None
    frequency_hz = order * rpm[good] / 60.0
    fit = fit_resonance(frequency_hz, phasor[good])
    if fit is None:
        return None
    natural_hz, damping, stderr_hz, stderr_damping = fit
    rate = abs(np.ptp(frequency_hz)) / (ramp.to_s - ramp.from_s)
    fast = rate > FAST_SWEEP * (natural_hz * damping) ** 2
    rpm_there = natural_hz * 60.0 / order
    return Resonance(axis, order, ramp, rpm_there, natural_hz, damping, stderr_hz, stderr_damping, bool(fast))


def fit_resonance(frequency_hz: np.ndarray, phasor: np.ndarray) -> tuple[float, float, float, float] | None:
    """(natural frequency Hz, damping ratio, and their standard errors) of one mode in a complex response.

    The response over w^2 is taken as (b0 + b1 s + b2 s^2) / (s^2 + 2 z w0 s + w0^2), complex b: one mode on top of what
    lies above and below it, excited with any phase. Levy's linear least squares, re-weighted with the last denominator
    (Sanathanan and Koerner, IEEE Trans. Automatic Control 8 (1963) 56, from memory). None when no mode lies inside the
    band, damping exceeds 0.5 or the model misses the data by more than 35 %.
    """
    scale = 2 * np.pi * float(np.median(frequency_hz))
    s = 2j * np.pi * frequency_hz / scale
    response = phasor / np.abs(s) ** 2
    weight = np.ones(len(s))
    for _ in range(8):
        solution, covariance = _levy(s, response, weight)
        a0, a1 = solution[:2]
        if a0 <= 0:
            return None
        weight = 1.0 / np.maximum(np.abs(s**2 + a1 * s + a0), 1e-3)
    modelled = (_complex(solution[2:]) @ s ** np.arange(3)[:, None]) / (s**2 + a1 * s + a0)
    misfit = np.sqrt(np.mean(np.abs(response - modelled) ** 2) / np.mean(np.abs(response) ** 2))
    natural, damping = np.sqrt(a0), a1 / (2 * np.sqrt(a0))
    inside = frequency_hz.min() < natural * scale / (2 * np.pi) < frequency_hz.max()
    if not inside or not 0 < damping < HIGHEST_DAMPING or misfit > BEST_MISFIT:
        return None
    gradient = np.array([[1 / (2 * natural), 0.0], [-damping / (2 * a0), 1 / (2 * natural)]])
    spread = np.sqrt(np.diag(gradient @ covariance[:2, :2] @ gradient.T))
    to_hz = scale / (2 * np.pi)
    return float(natural * to_hz), float(damping), float(spread[0] * to_hz), float(spread[1])


def _levy(s: np.ndarray, response: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted least squares for (a0, a1, real and imaginary b0..b2) and its covariance."""
    powers = s[:, None] ** np.arange(3)
    rows = np.hstack([-response[:, None], -(response * s)[:, None], powers, 1j * powers]) * weight[:, None]
    target = response * s**2 * weight
    matrix = np.vstack([rows.real, rows.imag])
    wanted = np.concatenate([target.real, target.imag])
    norms = np.linalg.norm(matrix, axis=0)
    solution, *_ = np.linalg.lstsq(matrix / norms, wanted, rcond=None)
    left = wanted - matrix / norms @ solution
    variance = left @ left / max(len(wanted) - matrix.shape[1], 1)
    covariance = variance * np.linalg.pinv((matrix / norms).T @ (matrix / norms))
    return solution / norms, covariance / np.outer(norms, norms)


def _complex(parts: np.ndarray) -> np.ndarray:
    """Real parts then imaginary parts, joined."""
    return parts[: len(parts) // 2] + 1j * parts[len(parts) // 2 :]
