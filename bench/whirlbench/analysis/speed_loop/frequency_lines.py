"""Sines in a record: which frequencies a multisine holds, and the complex amplitudes of all of them at once.

Fitted together by least squares on the samples as they come, unevenly spaced and averaged over tach periods, the
sines do not leak into each other, which segments of a Fourier transform would let them do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

GRID_S = 0.01
PADDING = 8
FAINTEST = 0.08  # of the strongest sine: fainter ones are side lobes and rounding
LINE_PART = 0.8  # of the lever's power that lies in sines if it is a multisine
FEWEST, MOST = 3, 40
SIDE_BINS = range(2, 8)  # distances, in 1 / duration, at which the noise beside a line is looked up


@dataclass(frozen=True)
class Amplitudes:
    """Complex amplitudes ``(n,)`` of the sines; what they leave of the ``(m,)`` values at ``time_s``."""

    value: np.ndarray
    frequency_hz: np.ndarray
    time_s: np.ndarray
    left: np.ndarray

    def error(self) -> np.ndarray:
        """Standard deviation ``(n,)`` of one part of each amplitude, from what is left at frequencies close by."""
        time = self.time_s - self.time_s[0]
        shifts = np.array([side * bins for bins in SIDE_BINS for side in (-1, 1)]) / time[-1]
        errors = []
        for frequency in self.frequency_hz:
            turn = 2.0 * math.pi * np.outer(np.abs(frequency + shifts), time)
            power = (np.cos(turn) @ self.left) ** 2 + (np.sin(turn) @ self.left) ** 2
            errors.append(math.sqrt(float(np.mean(power)) / 2.0) * 2.0 / len(time))
        return np.array(errors)


def find_lines(time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Frequencies in Hz of the sines in ``values`` (both ``(n,)``), rising; empty when they are not most of it."""
    grid = np.arange(time_s[0], time_s[-1], GRID_S)
    level = np.interp(grid, time_s, values)
    level = (level - level.mean()) * np.hanning(len(level))
    size = np.abs(np.fft.rfft(level, PADDING * len(level)))
    step = 1.0 / (PADDING * len(level) * GRID_S)
    inner = size[1:-1]
    peaks = np.flatnonzero((inner >= size[:-2]) & (inner > size[2:]) & (inner > FAINTEST * size.max())) + 1
    peaks = peaks[peaks > PADDING]
    if not FEWEST <= len(peaks) <= MOST:
        return np.empty(0)
    near = np.zeros(len(size), dtype=bool)
    for peak in peaks:
        near[max(peak - 2 * PADDING, 0) : peak + 2 * PADDING + 1] = True
    if np.sum(size[near] ** 2) < LINE_PART * np.sum(size**2):
        return np.empty(0)
    before, top, after = (np.log(size[peaks + shift]) for shift in (-1, 0, 1))
    frequencies: np.ndarray = (peaks + (before - after) / (2.0 * (before - 2.0 * top + after))) * step
    return frequencies


def fit_lines(
    time_s: np.ndarray, values: np.ndarray, frequency_hz: np.ndarray, averaged_s: np.ndarray | float = 0.0
) -> Amplitudes:
    """Amplitudes of cos(2 pi f t) with their phases in ``values``, each an average over ``averaged_s`` around its time.

    ``time_s``, ``values`` ``(m,)``, finite; level and drift are fitted along. At least 2 n + 4 values are needed.
    """
    turn = 2.0 * math.pi * np.outer(time_s - time_s[0], frequency_hz)
    kept = np.sinc(np.outer(np.broadcast_to(averaged_s, time_s.shape), frequency_hz))
    since = (time_s - time_s[0]) / (time_s[-1] - time_s[0])
    columns = np.column_stack([kept * np.cos(turn), kept * np.sin(turn), np.ones_like(since), since])
    found = np.linalg.lstsq(columns, values, rcond=None)[0]
    count = len(frequency_hz)
    value = found[:count] - 1j * found[count : 2 * count]
    # back to the common origin of time, so that two records can be compared
    value = value * np.exp(-2j * math.pi * frequency_hz * time_s[0])
    return Amplitudes(value, frequency_hz, time_s, values - columns @ found)
