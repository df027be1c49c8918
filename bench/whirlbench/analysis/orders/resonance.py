"""Resonances that orders pass through in a run-up or coast-down: speed, natural frequency, damping, how sure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from whirlbench.analysis.orders.rotation import ShaftAngle
from whirlbench.analysis.orders.tracking import OrderTracks, shaft_angle, track_vibration
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, VibrationSamples

LEAST_RANGE = 1.25  # a ramp must cover at least this ratio of speeds to show both flanks; our choice
LEAST_FRAMES = 12
# Hz/s per (f * damping ratio)^2: linear sweeps slower than this keep a peak in place (ISO 7626-2, from memory)
FAST_SWEEP = 3.6
HIGHEST_DAMPING = 0.5  # a broader hump than this is not called a resonance
BEST_MISFIT = 0.35  # rms misfit over rms response above which the model is refused
LARGEST_ERROR_HZ = 0.03  # standard error, as a share of the natural frequency, above which a fit tells nothing
LARGEST_ERROR_DAMPING = 0.4  # the same of the damping ratio; both our choice, from the demo recordings
SAME_MODE = 0.1  # passes whose frequencies differ by less than this share met one mode: sweeps displace peaks by 5 %

Certainty = Literal["sure", "likely", "doubtful"]


@dataclass(frozen=True)
class Ramp:
    """A stretch of steadily rising or falling speed, ``from_s`` to ``to_s``."""

    from_s: float
    to_s: float
    rising: bool


@dataclass(frozen=True)
class ResonancePass:
    """One resonance met by ``order`` on ``axis`` in one ramp.

    ``stderr_damping`` comes from the fit's scatter, ``stderr_hz`` from that and from how far the sweep moved on while
    the mode answered; ``swept_too_fast`` warns that the peak is blunted and displaced.
    """

    axis: str
    order: int
    ramp: Ramp
    natural_hz: float
    damping_ratio: float
    stderr_hz: float
    stderr_damping: float
    swept_too_fast: bool


@dataclass(frozen=True)
class Resonance:
    """A mode of ``natural_hz`` that ``order`` meets at ``rpm``, as ``axis`` shows it, over all its ``passes``.

    ``stderr_hz`` and ``stderr_damping`` are at least half of what the passes differ by. ``certainty``: *sure* where two
    passes agree and one was slow enough, *likely* after one slow pass, *doubtful* where every pass was swept too fast.
    """

    axis: str
    order: int
    rpm: float
    natural_hz: float
    damping_ratio: float
    stderr_hz: float
    stderr_damping: float
    certainty: Certainty
    passes: tuple[ResonancePass, ...]


def find_ramps(time_s: np.ndarray, rpm: np.ndarray) -> tuple[Ramp, ...]:
    """Stretches in which ``rpm`` rises or falls throughout by a ratio of 1.25 or more; NaN ends a stretch."""
    good = np.isfinite(rpm)
    trend = np.where(good[1:] & good[:-1], np.sign(np.diff(rpm)), 0.0)
    still = ~(np.abs(np.diff(rpm)) >= 1e-4 * np.nan_to_num(rpm[1:], nan=1.0))
    trend[still] = 0.0
    edges = np.concatenate([[0], np.flatnonzero(np.diff(trend)) + 1, [len(trend)]])
    ramps = []
    for first, last in pairwise(edges):
        if last - first + 1 >= LEAST_FRAMES and trend[first] != 0:
            ends = rpm[[first, last]]
            if ends.max() >= LEAST_RANGE * ends.min():
                ramps.append(Ramp(float(time_s[first]), float(time_s[last]), bool(trend[first] > 0)))
    return tuple(ramps)


def find_resonances(
    run: Run, orders: tuple[int, ...] = (1, 2, 3, 4), step_s: float = 0.1, until_s: float = np.inf
) -> tuple[Resonance, ...]:
    """Every resonance that an order passes in the ramps of ``run`` that begin before ``until_s``, by axis and order.

    Only the ramps' vibration is looked at, in frames of 2 * ``step_s``. An order whose response does not look like one
    resonance, or tells its frequency or damping too poorly, gives nothing. Raises AnalysisError without vibration or
    speed, and when no ramp covers a ratio of 1.25 in speed.
    """
    if not run.vibration.axes() or len(run.vibration.time_s) < LEAST_FRAMES:
        raise AnalysisError("no vibration was recorded: resonances cannot be found")
    angle = shaft_angle(run)
    grid_s = np.arange(run.vibration.time_s[0], run.vibration.time_s[-1], step_s)
    ramps = [ramp for ramp in find_ramps(grid_s, 60.0 * angle.speed_hz(grid_s)) if ramp.from_s < until_s]
    if not ramps:
        raise AnalysisError("no run-up or coast-down covers a speed ratio of 1.25: resonances cannot be found")
    found = [one for ramp in ramps for one in _passes(run.vibration, angle, ramp, orders, step_s)]
    groups = _same_modes(found)
    return tuple(_joined(group) for group in sorted(groups, key=lambda group: (group[0].axis, group[0].order)))


def _passes(
    vibration: VibrationSamples, angle: ShaftAngle, ramp: Ramp, orders: tuple[int, ...], step_s: float
) -> list[ResonancePass]:
    """What the orders met on every axis in one ramp."""
    first, last = np.searchsorted(vibration.time_s, [ramp.from_s - step_s, ramp.to_s + step_s])
    axes = {axis: getattr(vibration, axis)[first:last] for axis in vibration.axes()}
    part = VibrationSamples(vibration.time_s[first:last], rate_hz=vibration.rate_hz, **axes)
    tracks = track_vibration(part, angle, orders, step_s)
    fits = [fit_ramp(tracks, ramp, axis, order) for axis in tracks.axes for order in orders]
    return [one for one in fits if one is not None]


def _same_modes(found: list[ResonancePass]) -> list[list[ResonancePass]]:
    """Passes of one axis and order grouped by frequency."""
    groups: list[list[ResonancePass]] = []
    for one in sorted(found, key=lambda one: (one.axis, one.order, one.natural_hz)):
        last = groups[-1][0] if groups else None
        same = last is not None and (last.axis, last.order) == (one.axis, one.order)
        if last is not None and same and one.natural_hz <= (1.0 + SAME_MODE) * last.natural_hz:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _joined(passes: list[ResonancePass]) -> Resonance:
    """Slow passes count where there are any; run-ups and coast-downs alike, since each displaces the peak its way."""
    slow = [one for one in passes if not one.swept_too_fast]
    used = slow or passes
    frequency, error_hz = _mean([one.natural_hz for one in used], [one.stderr_hz for one in used])
    damping, error_damping = _mean([one.damping_ratio for one in used], [one.stderr_damping for one in used])
    certainty: Certainty = "doubtful" if not slow else "sure" if len(passes) > 1 else "likely"
    first = passes[0]
    rpm = frequency * 60.0 / first.order
    return Resonance(
        first.axis, first.order, rpm, frequency, damping, error_hz, error_damping, certainty, tuple(passes)
    )


def _mean(values: list[float], errors: list[float]) -> tuple[float, float]:
    """Plain mean, and the larger of its own standard error and half the spread of the values."""
    own = float(np.sqrt(np.sum(np.square(errors)))) / len(values)
    return float(np.mean(values)), max(own, float(np.ptp(values)) / 2.0)


def fit_ramp(tracks: OrderTracks, ramp: Ramp, axis: str, order: int) -> ResonancePass | None:
    """The resonance of one order on one axis in one ramp, or None where the data do not show one."""
    inside = (tracks.time_s >= ramp.from_s) & (tracks.time_s <= ramp.to_s)
    phasor, rpm = tracks.phasor(axis, order)[inside], tracks.rpm[inside]
    good = np.isfinite(phasor) & np.isfinite(rpm)
    if good.sum() < LEAST_FRAMES or not np.any(phasor[good]):
        return None
    frequency_hz = order * rpm[good] / 60.0
    fit = fit_resonance(frequency_hz, phasor[good])
    if fit is None:
        return None
    natural_hz, damping, stderr_hz, stderr_damping = fit
    if not (stderr_hz <= LARGEST_ERROR_HZ * natural_hz and stderr_damping <= LARGEST_ERROR_DAMPING * damping):
        return None
    rate = np.abs(np.gradient(frequency_hz, tracks.time_s[inside][good]))
    there = float(rate[np.argmin(np.abs(frequency_hz - natural_hz))])
    fast = there > FAST_SWEEP * (natural_hz * damping) ** 2
    moved_hz = there / (2 * np.pi * natural_hz * damping)  # at its peak a mode answers 1 / (damping ratio * w0) late
    error_hz = float(np.hypot(stderr_hz, moved_hz))
    return ResonancePass(axis, order, ramp, natural_hz, damping, error_hz, stderr_damping, fast)


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
        if not a0 > 0:
            return None
        weight = 1.0 / np.maximum(np.abs(s**2 + a1 * s + a0), 1e-3)
    modelled = (_complex(solution[2:]) @ s ** np.arange(3)[:, None]) / (s**2 + a1 * s + a0)
    misfit = np.sqrt(np.mean(np.abs(response - modelled) ** 2) / np.mean(np.abs(response) ** 2))
    natural, damping = np.sqrt(a0), a1 / (2 * np.sqrt(a0))
    inside = frequency_hz.min() < natural * scale / (2 * np.pi) < frequency_hz.max()
    if not inside or not 0 < damping < HIGHEST_DAMPING or not misfit <= BEST_MISFIT:
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
