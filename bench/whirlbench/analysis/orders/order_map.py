"""Vibration on equal steps of shaft angle, and the order map made from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders.rotation import ShaftAngle
from whirlbench.analysis.orders.tracking import HIGHEST_SHARE_OF_RATE, sample_rate_hz, shaft_angle
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

LOBES = 8  # zero crossings of the sinc kept on each side: error below 1 % up to 0.4 of the sample rate, as tested
LONGEST_KERNEL = 96  # samples each side, at the slowest speeds


@dataclass(frozen=True)
class AngleSamples:
    """Acceleration ``value_g`` at ``turn`` (revolutions, ``per_rev`` equal steps a turn), and its time; gaps NaN."""

    turn: np.ndarray
    time_s: np.ndarray
    value_g: np.ndarray
    per_rev: int


@dataclass(frozen=True)
class OrderMap:
    """Amplitude in g peak against frame and order.

    ``amplitude_g[frame, order]``; ``order`` in steps of 1/turns; ``time_s`` and ``rpm`` of each frame's middle. NaN
    above 0.45 of the sample rate and in gaps.
    """

    time_s: np.ndarray
    rpm: np.ndarray
    order: np.ndarray
    amplitude_g: np.ndarray
    axis: str

    def against_rpm(self, width_rpm: float = 50.0) -> tuple[np.ndarray, np.ndarray]:
        """(middles of rpm bins ``(b,)``, rms amplitude per bin and order ``(b, orders)``), of bins visited."""
        bins = np.floor(self.rpm / width_rpm)
        known = np.unique(bins[np.isfinite(bins)])
        rows = [np.sqrt(_mean_or_nan(self.amplitude_g[bins == one] ** 2)) for one in known]
        return (known + 0.5) * width_rpm, np.array(rows).reshape(len(known), len(self.order))


def resample_to_angle(
    time_s: np.ndarray, value_g: np.ndarray, rate_hz: float, angle: ShaftAngle, per_rev: int = 32
) -> AngleSamples:
    """Acceleration on ``per_rev`` equal steps of each turn, band-limited so that nothing folds.

    ``time_s``, ``value_g`` ``(n,)`` sampled at ``rate_hz``, gaps allowed. Interpolation is by a Hann-windowed sinc
    whose cut-off is half the lower of the two rates: where the shaft turns slowly, and the steps of angle are further
    apart than the samples, what they could not carry is filtered out first. Points within a kernel of a gap or an end
    are NaN. Source: computed order tracking, Fyfe and Munck, Mech. Syst. Signal Process. 11 (1997) 187 (from memory);
    kernel: any DSP text.
    """
    first, last = np.ceil(angle.revolutions[0] * per_rev), np.floor(angle.revolutions[-1] * per_rev)
    turn = np.arange(first, last + 1) / per_rev
    at_s = angle.time_at(turn)
    index, grid_s, grid = _on_uniform_grid(time_s, value_g, rate_hz)
    ratio = np.minimum(1.0, per_rev * angle.speed_hz(at_s) / rate_hz)
    position = np.interp(at_s, grid_s, index, left=np.nan, right=np.nan)
    return AngleSamples(turn, at_s, _sinc_at(grid, position, ratio), per_rev)


def map_orders(run: Run, axis: str, turns: int = 16, highest_order: int = 12) -> OrderMap:
    """Order map of one axis: spectra over ``turns`` revolutions, Hann window, half overlapping.

    Raises AnalysisError when the axis or the speed is missing, or fewer than ``turns`` revolutions were recorded.
    """
    if not run.vibration.has(axis):
        raise AnalysisError(f"no {axis} was recorded: its order map cannot be drawn")
    rate_hz, angle = sample_rate_hz(run.vibration), shaft_angle(run)
    per_rev = 4 * int(2 ** np.ceil(np.log2(highest_order / 2)))
    values = np.asarray(getattr(run.vibration, axis), dtype=float)
    samples = resample_to_angle(run.vibration.time_s, values - np.nanmean(values), rate_hz, angle, per_rev)
    length, hop = turns * per_rev, turns * per_rev // 2
    if len(samples.turn) < length:
        raise AnalysisError(f"{len(samples.turn) / per_rev:.0f} revolutions: an order map needs at least {turns}")
    frames = np.lib.stride_tricks.sliding_window_view(samples.value_g, length)[::hop]
    window = np.hanning(length + 1)[:-1]
    amplitude = np.abs(np.fft.rfft((frames - frames.mean(axis=1, keepdims=True)) * window)) * 2 / window.sum()
    kept = highest_order * turns + 1
    middle_s = samples.time_s[hop : hop + len(frames) * hop : hop][: len(frames)]
    return _masked(middle_s, angle, amplitude[:, :kept], np.arange(kept) / turns, rate_hz, axis)


def _masked(
    middle_s: np.ndarray, angle: ShaftAngle, amplitude: np.ndarray, order: np.ndarray, rate_hz: float, axis: str
) -> OrderMap:
    speed_hz = angle.speed_hz(middle_s)
    out = speed_hz[:, None] * order > HIGHEST_SHARE_OF_RATE * rate_hz
    return OrderMap(middle_s, speed_hz * 60.0, order, np.where(out, np.nan, amplitude), axis)


def _on_uniform_grid(time_s: np.ndarray, value_g: np.ndarray, rate_hz: float) -> tuple[np.ndarray, ...]:
    """(grid index of each sample, its time, values on the grid with NaN where samples are lost)."""
    steps = np.maximum(1, np.round(np.diff(time_s) * rate_hz)).astype(np.int64)
    index = np.concatenate([[0], np.cumsum(steps)])
    grid = np.full(index[-1] + 1, np.nan)
    grid[index] = value_g
    return index, time_s, grid


def _sinc_at(grid: np.ndarray, position: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    """Windowed-sinc interpolation of ``grid`` at fractional ``position``, cut off at ``ratio`` of half its rate."""
    half = np.minimum(LONGEST_KERNEL, np.ceil(LOBES / np.nan_to_num(ratio, nan=1.0)))
    reach = int(half.max(initial=LOBES))
    inside = np.isfinite(position) & (position >= half) & (position <= len(grid) - 1 - half)
    where = np.where(inside, position, reach)
    base = np.floor(where).astype(np.int64)
    total, weight = np.zeros(len(where)), np.zeros(len(where))
    for offset in range(-reach + 1, reach + 1):
        distance = where - (base + offset)
        kernel = np.sinc(ratio * distance) * np.cos(np.pi / 2 * np.clip(distance / half, -1, 1)) ** 2
        used = np.clip(base + offset, 0, len(grid) - 1)
        total += np.where(kernel != 0, kernel * grid[used], 0.0)
        weight += kernel
    return np.where(inside, total / weight, np.nan)


def _mean_or_nan(values: np.ndarray) -> np.ndarray:
    """Column means over finite values; NaN for columns without any."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    return np.where(count > 0, np.where(good, values, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
