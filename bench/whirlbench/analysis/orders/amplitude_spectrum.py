"""Amplitude spectrum of vibration over a stretch: averaged, true in height, without the samples that were lost."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders.tracking import sample_rate_hz
from whirlbench.errors import AnalysisError
from whirlbench.samples import VibrationSamples

FRAME_S = 1.0  # wished for: lines 1 Hz apart; a shorter stretch has fewer
LEAST_SAMPLES = 64
WINDOW = "flattop"  # reads a sine's height within 0.1 % wherever it lies between two lines (Harris 1978, from memory)
LINE_WIDTH = 4  # lines on either side that one sine fills through that window
LOST = 1.5  # periods from one sample to the next: more, and others are missing between them


@dataclass(frozen=True)
class Spectrum:
    """``amplitude_g[axis, line]`` in g peak at ``frequency_hz``, averaged in power over ``frames`` of ``frame_s``."""

    frequency_hz: np.ndarray
    axes: tuple[str, ...]
    amplitude_g: np.ndarray
    frames: int
    frame_s: float

    def peaks(self, axis: str, most: int) -> np.ndarray:
        """Numbers of the ``most`` highest lines of ``axis`` that stand above their neighbours, the highest first."""
        level = self.amplitude_g[self.axes.index(axis)].copy()
        level[:LINE_WIDTH] = 0.0  # what is left of the mean is no vibration
        found: list[int] = []
        while len(found) < most and level.max() > 0.0:
            best = int(np.argmax(level))
            found.append(best)
            level[max(best - 2 * LINE_WIDTH, 0) : best + 2 * LINE_WIDTH + 1] = 0.0
        return np.array(found, dtype=int)


def spectrum(vibration: VibrationSamples, frame_s: float = FRAME_S) -> Spectrum:
    """Spectrum of every recorded axis, over frames that lose no sample, half over each other (Welch 1967).

    AnalysisError when nothing was recorded, or no stretch without a loss is as long as LEAST_SAMPLES.
    """
    from scipy.signal import welch

    axes = vibration.axes()
    if not axes:
        raise AnalysisError("no vibration was recorded there: select a span that has some")
    rate_hz = sample_rate_hz(vibration)
    stretches = _whole(vibration, rate_hz)
    longest = max((part.stop - part.start for part in stretches), default=0)
    if longest < LEAST_SAMPLES:
        raise AnalysisError(
            f"found {longest} samples of vibration without a loss, expected at least {LEAST_SAMPLES}: select more"
        )
    size = min(round(frame_s * rate_hz), longest)
    used = [part for part in stretches if part.stop - part.start >= size]
    frames = [max((part.stop - part.start - size // 2) // (size - size // 2), 1) for part in used]
    powers = []
    for axis in axes:
        values = np.asarray(getattr(vibration, axis), dtype=float)
        each = [welch(values[part], rate_hz, WINDOW, size, scaling="spectrum", detrend="constant")[1] for part in used]
        powers.append(np.average(each, axis=0, weights=frames))
    return Spectrum(
        np.arange(size // 2 + 1) * rate_hz / size, axes, np.sqrt(2.0 * np.array(powers)), sum(frames), size / rate_hz
    )


def _whole(vibration: VibrationSamples, rate_hz: float) -> list[slice]:
    """Stretches in which no sample is missing, on any axis."""
    finite = np.all([np.isfinite(getattr(vibration, axis)) for axis in vibration.axes()], axis=0)
    ends = np.diff(vibration.time_s) * rate_hz > LOST
    breaks = np.flatnonzero(ends | ~finite[1:] | ~finite[:-1]) + 1
    bounds = [0, *breaks.tolist(), len(finite)]
    return [slice(low, high) for low, high in itertools.pairwise(bounds) if finite[low:high].all()]
