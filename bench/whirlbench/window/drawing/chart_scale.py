"""Where the values of a chart lie in pixels, and back. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.results.chart import EMPTY_SPAN, Span


@dataclass(frozen=True)
class ChartScale:
    """A drawing area in pixels (y down) and what its axes cover."""

    left: float
    top: float
    width: float
    height: float
    x: Span
    y: Span
    logarithmic: bool = False

    @property
    def right(self) -> float:
        """Pixel of the right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Pixel of the lower edge."""
        return self.top + self.height

    def x_px(self, x: np.ndarray | float) -> np.ndarray:
        """Pixels of places on the x axis, of the shape of ``x``; NaN stays NaN."""
        return self.left + self.width * _share(x, self.x, self.logarithmic)

    def y_px(self, y: np.ndarray | float) -> np.ndarray:
        """Pixels of places on the y axis, of the shape of ``y``; NaN stays NaN."""
        return self.bottom - self.height * _share(y, self.y, False)

    def x_at(self, pixel: float) -> float:
        """Place on the x axis under a pixel, kept inside the area."""
        low, high = self.x
        share = min(max((pixel - self.left) / max(self.width, 1.0), 0.0), 1.0)
        return float(low * (high / low) ** share) if self.logarithmic else low + share * (high - low)

    def y_at(self, pixel: float) -> float:
        """Place on the y axis under a pixel."""
        low, high = self.y
        return low + (high - low) * (self.bottom - pixel) / max(self.height, 1.0)

    def holds(self, x_px: float, y_px: float) -> bool:
        """Whether a pixel lies in the area."""
        return self.left <= x_px <= self.right and self.top <= y_px <= self.bottom


def _share(values: np.ndarray | float, span: Span, logarithmic: bool) -> np.ndarray:
    low, high = span if span[1] > span[0] else EMPTY_SPAN
    if not logarithmic:
        return (np.asarray(values, dtype=float) - low) / (high - low)
    with np.errstate(invalid="ignore", divide="ignore"):
        shares: np.ndarray = np.log(np.asarray(values, dtype=float) / low) / np.log(high / low)
    return shares
