"""A chart as plain data: curves, bands, lines and marks over one pair of axes. No Qt here.

Inks are named by their part, not by colour: the names of ``palette`` in lower case.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

Span = tuple[float, float]
EMPTY_SPAN: Span = (0.0, 1.0)
HEADROOM = 0.06  # of the data's height, left free above and below the curves
SPARE = 0.75  # rather a third too many figures than half of them
DECADE_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Curve:
    """A curve or, with ``dots``, single points: ``x`` and ``y`` ``(n,)``; NaN in ``y`` breaks the line."""

    x: np.ndarray
    y: np.ndarray
    label: str = ""
    ink: str = "ink"
    dots: bool = False
    dashed: bool = False


@dataclass(frozen=True)
class Band:
    """A pale band between ``low`` and ``high`` over ``x``, ``(n,)`` each; NaN leaves a hole."""

    x: np.ndarray
    low: np.ndarray
    high: np.ndarray
    ink: str = "model"
    label: str = ""


@dataclass(frozen=True)
class MarkLine:
    """A line across the whole chart at ``at``.

    Upright at a place on the x axis, else level; its label stands above it or ``under`` it.
    """

    at: float
    label: str = ""
    ink: str = "ink"
    upright: bool = True
    dashed: bool = True
    under: bool = False


@dataclass(frozen=True)
class Stretch:
    """A part of the x axis that is tinted over the whole height."""

    from_x: float
    to_x: float
    ink: str = "over"
    label: str = ""


@dataclass(frozen=True)
class Box:
    """A named rectangle, outlined, or ``filled`` palely: a bar, its label inside."""

    x: Span
    y: Span
    label: str = ""
    ink: str = "ink"
    filled: bool = False


@dataclass(frozen=True)
class Caption:
    """A word beside a point of the chart."""

    x: float
    y: float
    text: str
    ink: str = "ink"


@dataclass(frozen=True)
class Heatmap:
    """A map of shares: ``share[row, column]`` from 0 (paper) to 1 (ink), NaN for nothing known.

    Columns cover ``x`` evenly from left to right, rows cover ``y`` evenly from bottom to top.
    """

    x: Span
    y: Span
    share: np.ndarray
    ink: str = "ink"


@dataclass(frozen=True)
class Chart:
    """Everything on one chart; ``x_span`` and ``y_span`` fix an axis that the data would leave open."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...] = ()
    bands: tuple[Band, ...] = ()
    lines: tuple[MarkLine, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    boxes: tuple[Box, ...] = ()
    captions: tuple[Caption, ...] = ()
    heatmap: Heatmap | None = None
    logarithmic: bool = False  # the x axis
    x_span: Span | None = None
    y_span: Span | None = None
    key: str = ""  # by which an answer's renderers pick it
    caption: str = ""  # what the chart says, in a sentence
    y_figures: bool = True  # whether the y axis counts anything: bars only stand below each other
    true_shape: bool = False  # a unit is as long up as along: a drawing, whose circles are round

    def legend(self) -> tuple[tuple[str, str, str], ...]:
        """(label, ink, "line" | "dots" | "dashes" | "band") of everything that is named, each label once."""
        marks = {curve.label: (curve.ink, _mark(curve)) for curve in self.curves if curve.label}
        marks |= {band.label: (band.ink, "band") for band in self.bands if band.label}
        return tuple((label, ink, mark) for label, (ink, mark) in marks.items())

    def spans(self) -> tuple[Span, Span]:
        """Extent of both axes: fixed where the chart says so, else of all finite data, with headroom on y."""
        x = self.x_span or _extent(self._xs(), self.logarithmic)
        return x, self.y_span or _with_headroom(_extent(self._ys(), False))

    def spans_on(self, width: float, height: float) -> tuple[Span, Span]:
        """What both axes cover on an area of that size: more than the chart asks for where it keeps its shape.

        More along comes at the end, more up on both sides.
        """
        x, y = self.spans()
        if not self.true_shape or width <= 0.0 or height <= 0.0:
            return x, y
        each = max((x[1] - x[0]) / width, (y[1] - y[0]) / height)
        middle = (y[0] + y[1]) / 2.0
        return (x[0], x[0] + each * width), (middle - each * height / 2.0, middle + each * height / 2.0)

    def _xs(self) -> Iterator[np.ndarray]:
        yield from (curve.x for curve in self.curves)
        yield from (band.x for band in self.bands)
        yield from (np.array(box.x) for box in self.boxes)
        if self.heatmap is not None:
            yield np.array(self.heatmap.x)

    def _ys(self) -> Iterator[np.ndarray]:
        yield from (curve.y for curve in self.curves)
        yield from (side for band in self.bands for side in (band.low, band.high))
        yield from (np.array(box.y) for box in self.boxes)
        yield from (np.array([line.at]) for line in self.lines if not line.upright)
        if self.heatmap is not None:
            yield np.array(self.heatmap.y)


def _mark(curve: Curve) -> str:
    return "dots" if curve.dots else "dashes" if curve.dashed else "line"


def _extent(arrays: Iterator[np.ndarray], positive: bool) -> Span:
    values = np.concatenate([np.empty(0), *(np.asarray(array, dtype=float).ravel() for array in arrays)])
    values = values[np.isfinite(values) & ((values > 0.0) | (not positive))]
    return (float(values.min()), float(values.max())) if len(values) else EMPTY_SPAN


def _with_headroom(span: Span) -> Span:
    low, high = span
    room = HEADROOM * (high - low) or max(abs(high) * HEADROOM, 0.5)
    return low - room, high + room


@dataclass(frozen=True)
class Tick:
    """A place on an axis and the figure written at it."""

    at: float
    text: str


def ticks(span: Span, wanted: int, logarithmic: bool = False) -> tuple[Tick, ...]:
    """About ``wanted`` (at least 1) round figures inside ``span``; none for a span that is not finite or empty."""
    low, high = span
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return ()
    if logarithmic and low > 0.0 and high / low > 3.0:
        return _decade_ticks(low, high, wanted)
    step = _round_step(SPARE * (high - low) / max(wanted, 1))
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(Tick(number * step, f"{number * step + 0.0:.{digits}f}") for number in range(first, last + 1))


def _round_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is not below ``least``."""
    decade = 10.0 ** math.floor(math.log10(least))
    return next(step * decade for step in (*DECADE_STEPS, 10.0) if step * decade >= least * (1 - 1e-9))


def _decade_ticks(low: float, high: float, wanted: int) -> tuple[Tick, ...]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = DECADE_STEPS if 3 * len(decades) <= 2 * wanted + 3 else (1.0,)
    places = [step * 10.0**decade for decade in decades for step in steps]
    return tuple(Tick(place, f"{place:g}") for place in places if low * (1 - 1e-9) <= place <= high * (1 + 1e-9))
