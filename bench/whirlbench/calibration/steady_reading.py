"""The mean of a sensor over a few seconds, and whether it stood still: a mass that swings is no known point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError

READING_S = 2.0
LEAST_SAMPLES = 40  # half a second of the slowest converter (80 a second)
BLOCKS = 20
# Drift over the reading, and scatter of its blocks, in units of what white noise would give them. With white noise a
# reading is refused once in ten thousand (drift: 3 block scatters are 3.9 standard errors of a line's end to end).
MOST_DRIFT, MOST_SWING = 3.0, 3.0


@dataclass(frozen=True)
class SteadyReading:
    """``mean`` and ``scatter`` (standard deviation of one sample) of ``count`` samples, in counts.

    ``drift`` is the line through the samples from end to end, ``swing`` the scatter of means over a tenth of a second;
    ``restless`` says in words why the reading is not one of a sensor at rest, empty when it is.
    """

    mean: float
    scatter: float
    count: int
    drift: float
    swing: float
    restless: str = ""

    @property
    def stderr(self) -> float:
        """Standard error of the mean, counts."""
        return self.swing / float(np.sqrt(BLOCKS))


def steady_reading(samples: np.ndarray, resolution: float = 1.0) -> SteadyReading:
    """The reading of ``samples`` (n,), in order and evenly taken.

    ``resolution``: counts below which drift and swing do not matter. CalibrationError with fewer than 40 samples or
    one that is not finite.
    """
    values = np.asarray(samples, dtype=float)
    if len(values) < LEAST_SAMPLES or not np.isfinite(values).all():
        raise CalibrationError(
            f"{len(values)} samples came from the sensor within the reading, at least {LEAST_SAMPLES} are needed: it "
            "is not connected, or the link is poor"
        )
    blocks = np.array([block.mean() for block in np.array_split(values, BLOCKS)])
    places = np.linspace(-0.5, 0.5, BLOCKS)
    drift = float(blocks @ places / (places @ places))
    rest = blocks - blocks.mean() - drift * places
    swing = float(np.sqrt(rest @ rest / (BLOCKS - 2)))
    scatter = float(values.std(ddof=1))
    white = _within_blocks(values) / float(np.sqrt(len(values) / BLOCKS))
    restless = _restless(drift, swing, white, resolution)
    return SteadyReading(float(values.mean()), scatter, len(values), drift, swing, restless)


def _within_blocks(values: np.ndarray) -> float:
    """Standard deviation about the means of the blocks: the noise without drift and swing."""
    squares = sum(float(np.sum((block - block.mean()) ** 2)) for block in np.array_split(values, BLOCKS))
    return float(np.sqrt(squares / (len(values) - BLOCKS)))


def _restless(drift: float, swing: float, white: float, resolution: float) -> str:
    if abs(drift) > max(resolution, MOST_DRIFT * max(swing, white)):
        return f"it still moves: {drift:+.3g} counts within the reading"
    if swing > max(resolution, MOST_SWING * white):
        return f"it swings: {swing:.3g} counts, where its noise gives {white:.2g}"
    return ""
