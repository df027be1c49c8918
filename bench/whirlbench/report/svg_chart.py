"""Draws a chart that is plain data as one SVG element: forty charts in the time that a library takes for one.

Text stays text, in the page's own font; what is outside the frame is clipped. The same chart gives the same bytes.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np

from whirlbench.results.chart import Band, Box, Chart, MarkLine, Span, ticks
from whirlbench.results.inks import ink

POINTS_PER_IN = 72.0
FONT, SMALL, TINY = 9.0, 7.5, 6.5  # points: names and figures, words at a place, words along a line
LETTER = 0.52  # width of a usual letter, of its size
LINE = 1.25  # from one line of words to the next, of the size
BAND_OPACITY, STRETCH_OPACITY = 0.18, 0.10
UPRIGHT_SHARES = (0.98, 0.66, 0.34)  # of the height, in turn: lines at one place keep their labels apart
COLUMN_POINTS = 4  # of a curve in one column of the picture, at most: first, least, greatest, last
COLUMN = 0.5  # width of such a column in points
# marks of dotted curves in turn, told apart without colour: path about its place, and whether it is filled
MARKS = (
    ("m0,0h0", "dot"), ("m-2,-2l4,4m0,-4l-4,4", "line"), ("m-2.4,0h4.8m-2.4,-2.4v4.8", "line"),
    ("m0,-2.6l2.4,4.4h-4.8z", "area"),
)  # fmt: skip
MARK_STYLES = {
    "dot": 'fill="none" stroke-width="3.4" stroke-linecap="round"',
    "line": 'fill="none" stroke-width="1"',
    "area": 'stroke="none"',
}


@dataclass(frozen=True)
class Frame:
    """Where the axes stand in points from the upper left corner, and what they span."""

    left: float
    top: float
    right: float
    bottom: float
    x_span: Span
    y_span: Span
    logarithmic: bool = False

    def x(self, values: np.ndarray | float) -> np.ndarray:
        """Places across, in points; NaN for what has no logarithm."""
        low, high = self.x_span
        if self.logarithmic:
            with np.errstate(invalid="ignore", divide="ignore"):
                values, low, high = np.log10(values), math.log10(low), math.log10(high)
        found: np.ndarray = self.left + (np.asarray(values) - low) * (self.right - self.left) / ((high - low) or 1.0)
        return found

    def y(self, values: np.ndarray | float) -> np.ndarray:
        """Places down, in points."""
        low, high = self.y_span
        found: np.ndarray = self.bottom - (np.asarray(values) - low) * (self.bottom - self.top) / ((high - low) or 1.0)
        return found


def svg_chart(chart: Chart, width_in: float, height_in: float) -> str:
    """``chart`` as one SVG element of that size; heat maps are not drawn."""
    wide, high = width_in * POINTS_PER_IN, height_in * POINTS_PER_IN
    legend = tuple(_legend_rows(chart, wide - 40.0))
    up = ticks(chart.spans()[1], round(2.5 * height_in)) if chart.y_figures else ()
    left = 26.0 + LETTER * 1.1 * FONT * max((len(tick.text) for tick in up), default=1)
    top = 20.0 + LINE * SMALL * len(legend)
    right, bottom = wide - 12.0, high - 33.0
    x_span, y_span = chart.spans_on(right - left, bottom - top)
    frame = Frame(left, top, right, bottom, x_span, y_span, chart.logarithmic and x_span[0] > 0.0)
    parts = [*_axes(chart, frame, width_in), *_names(chart, frame, wide, high), *_legend(legend, frame)]
    parts += _clipped(chart, frame, [*_grounds(chart, frame), *_curves(chart, frame)])
    parts += [*_lines(chart, frame), *_boxes(chart, frame), *_captions(chart, frame)]
    size = f'width="{wide:g}pt" height="{high:g}pt" viewBox="0 0 {wide:g} {high:g}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-size="{FONT:g}">\n' + "\n".join(parts) + "\n</svg>"


def _axes(chart: Chart, frame: Frame, width_in: float) -> Iterator[str]:
    """Grid, figures and the two lines of the axes."""
    low, high = frame.top, frame.bottom
    for tick in ticks(frame.x_span, round(1.4 * width_in), chart.logarithmic):
        at = float(frame.x(tick.at))
        yield _stroke(f"M{at:.1f},{low:.1f}V{high:.1f}", ink("rule"), 0.6)
        yield _text(at, high + 11.0, tick.text, anchor="middle")
    for tick in ticks(frame.y_span, round(2.5 * (high - low + 53.0) / POINTS_PER_IN)) if chart.y_figures else ():
        at = float(frame.y(tick.at))
        yield _stroke(f"M{frame.left:.1f},{at:.1f}H{frame.right:.1f}", ink("rule"), 0.6)
        yield _text(frame.left - 3.0, at + 3.0, tick.text, anchor="end")
    yield _stroke(f"M{frame.left:.1f},{low:.1f}V{high:.1f}H{frame.right:.1f}", ink("ink"), 0.8)


def _names(chart: Chart, frame: Frame, wide: float, high: float) -> Iterator[str]:
    """Title and names of the axes, made smaller where they would not fit."""
    middle = (frame.left + frame.right) / 2.0
    yield _text(wide / 2.0, 12.0, chart.title, _fitting(chart.title, 10.5, wide), "middle")
    yield _text(middle, high - 6.0, chart.x_label, _fitting(chart.x_label, FONT, wide), "middle")
    tall = frame.bottom - frame.top
    place = (9.0, (frame.top + frame.bottom) / 2.0)
    yield _text(*place, chart.y_label, _fitting(chart.y_label, FONT, tall + 30.0), "middle", upright=True)


def _legend_rows(chart: Chart, wide: float) -> Iterator[list[tuple[str, str, str]]]:
    """The legend's entries in rows that fit."""
    row: list[tuple[str, str, str]] = []
    used = 0.0
    for entry in chart.legend():
        width = _entry_width(entry[0])
        if row and used + width > wide:
            yield row
            row, used = [], 0.0
        row.append(entry)
        used += width
    if row:
        yield row


def _entry_width(label: str) -> float:
    return 26.0 + LETTER * SMALL * len(label)


def _legend(rows: tuple[list[tuple[str, str, str]], ...], frame: Frame) -> Iterator[str]:
    """Rows of signs and words between title and frame, where they cover nothing; dots have the sign of their curve."""
    marks = itertools.cycle(MARKS)
    for number, row in enumerate(rows):
        at, y = frame.left, 22.0 + LINE * SMALL * number
        for label, name, kind in row:
            colour = ink(name)
            if kind == "band":
                yield f'<rect x="{at:.1f}" y="{y - 3:.1f}" width="16" height="6" fill="{colour}" opacity="0.3"/>'
            elif kind == "dots":
                yield _mark_path(f"M{at + 8:.1f},{y:.1f}", next(marks), colour)
            else:
                yield _stroke(f"M{at:.1f},{y:.1f}h16", colour, 1.2, kind == "dashes")
            yield _text(at + 19.0, y + 2.7, label, SMALL)
            at += _entry_width(label)


def _grounds(chart: Chart, frame: Frame) -> Iterator[str]:
    """What lies under the curves: tinted stretches and bands."""
    for stretch in chart.stretches:
        from_x, to_x = (float(frame.x(at)) for at in (stretch.from_x, stretch.to_x))
        yield (
            f'<rect x="{from_x:.1f}" y="{frame.top:.1f}" width="{to_x - from_x:.1f}" '
            f'height="{frame.bottom - frame.top:.1f}" fill="{ink(stretch.ink)}" opacity="{STRETCH_OPACITY}"/>'
        )
    for band in chart.bands:
        yield from _band(band, frame)


def _band(band: Band, frame: Frame) -> Iterator[str]:
    """One pale area for each stretch without a hole."""
    sides = (frame.x(np.asarray(band.x, float)), frame.y(band.low), frame.y(band.high))
    x, low, high = (np.asarray(side, dtype=float) for side in sides)
    known = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(int)))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        there, back = slice(first, last), slice(first, last)
        outline = f"M{_pairs(x[there], low[there])}L{_pairs(x[back][::-1], high[back][::-1])}z"
        yield f'<path d="{outline}" fill="{ink(band.ink)}" opacity="{BAND_OPACITY}"/>'


def _curves(chart: Chart, frame: Frame) -> Iterator[str]:
    marks = itertools.cycle(MARKS)
    for curve in chart.curves:
        x, y = frame.x(np.asarray(curve.x, dtype=float)), frame.y(np.asarray(curve.y, dtype=float))
        if curve.dots:
            known = np.isfinite(x) & np.isfinite(y)
            mark, places = next(marks), zip(x[known], y[known], strict=True)
            path = "".join(f"M{across:.1f},{down:.1f}{mark[0]}" for across, down in places)
            yield _mark_path(path, (("", mark[1])), ink(curve.ink))
        else:
            yield _stroke(_line_path(*_columns(x, y)), ink(curve.ink), 1.2, curve.dashed)


def _columns(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A line that runs to the right with at most four points a column: what a picture of that size can show."""
    if len(x) < 4 * COLUMN_POINTS or not np.isfinite(x).all() or (np.diff(x) < 0.0).any():
        return x, y
    column = np.floor(x / COLUMN)
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1.0))
    if len(x) <= COLUMN_POINTS * len(starts):
        return x, y
    ends = np.append(starts[1:], len(x))
    kept: set[int] = {0, len(x) - 1}
    for first, last in zip(starts.tolist(), ends.tolist(), strict=True):
        part = y[first:last]
        kept |= {first, last - 1, *np.flatnonzero(np.isnan(part))[:1] + first}
        if np.isfinite(part).any():
            kept |= {first + int(np.nanargmin(part)), first + int(np.nanargmax(part))}
    places = np.array(sorted(kept))
    return x[places], y[places]


def _line_path(x: np.ndarray, y: np.ndarray) -> str:
    """A path that breaks where a value is missing; a value alone between two gaps is a dot."""
    known = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(int)))
    pieces = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        pieces.append(f"M{_pairs(x[first:last], y[first:last])}{'h0' if last - first == 1 else ''}")
    return "".join(pieces)


def _pairs(x: np.ndarray, y: np.ndarray) -> str:
    return " ".join(f"{across:.1f},{down:.1f}" for across, down in zip(x.tolist(), y.tolist(), strict=True))


def _clipped(chart: Chart, frame: Frame, parts: list[str]) -> list[str]:
    """``parts`` within the frame; the clip's name follows from the frame, so that equal ones may share it."""
    size = (frame.left, frame.top, frame.right - frame.left, frame.bottom - frame.top)
    box = '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>'.format(*size)
    name = f"frame-{hashlib.sha256(box.encode()).hexdigest()[:10]}"
    return [f'<clipPath id="{name}">{box}</clipPath>', f'<g clip-path="url(#{name})">', *parts, "</g>"] if parts else []


def _lines(chart: Chart, frame: Frame) -> Iterator[str]:
    """Lines across with their words, and the words of stretches; what lies outside the axes is left out."""
    uprights = [line for line in chart.lines if line.upright]
    for number, line in enumerate(uprights):
        yield from _upright(line, frame, UPRIGHT_SHARES[number % len(UPRIGHT_SHARES)])
    for line in chart.lines:
        if not line.upright and frame.y_span[0] <= line.at <= frame.y_span[1]:
            at, colour = float(frame.y(line.at)), ink(line.ink)
            yield _stroke(f"M{frame.left:.1f},{at:.1f}H{frame.right:.1f}", colour, 0.9, line.dashed)
            yield _text(frame.left + 3.0, at + (TINY if line.under else -2.0), line.label, TINY, colour=colour)
    for stretch in chart.stretches:
        place = float(frame.x(stretch.from_x)) + TINY + 1.0
        yield _text(place, frame.top + 3.0, stretch.label, TINY, "end", colour=ink(stretch.ink), upright=True)


def _upright(line: MarkLine, frame: Frame, share: float) -> Iterator[str]:
    if frame.x_span[0] <= line.at <= frame.x_span[1]:
        at, colour = float(frame.x(line.at)), ink(line.ink)
        yield _stroke(f"M{at:.1f},{frame.top:.1f}V{frame.bottom:.1f}", colour, 0.9, line.dashed)
        long = LETTER * TINY * len(line.label)
        down = max(frame.top, min(frame.bottom - share * (frame.bottom - frame.top), frame.bottom - long))
        yield _text(at - 2.0, down, line.label, TINY, "end", colour=colour, upright=True)


def _boxes(chart: Chart, frame: Frame) -> Iterator[str]:
    """Outlined with the name above, or filled with the name inside."""
    for box in chart.boxes:
        yield from _box(box, frame)


def _box(box: Box, frame: Frame) -> Iterator[str]:
    left, right = sorted(float(frame.x(at)) for at in box.x)
    top, bottom = sorted(float(frame.y(at)) for at in box.y)
    fill = (
        f'fill="{ink(box.ink)}" fill-opacity="{BAND_OPACITY}"' if box.filled else 'fill="none" stroke-dasharray="4 3"'
    )
    size = f'x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
    yield f'<rect {size} {fill} stroke="{ink(box.ink)}" stroke-width="0.9"/>'
    words, down = ("ink", top + 11.0) if box.filled else (box.ink, top - 3.0)
    yield _text(left + 3.0, max(down, frame.top - 1.0), box.label, FONT, colour=ink(words))


def _captions(chart: Chart, frame: Frame) -> Iterator[str]:
    """Words beside a point, on its left where they would pass the frame on its right."""
    for caption in chart.captions:
        across, down = float(frame.x(caption.x)), float(frame.y(caption.y))
        beyond = across + 5.0 + LETTER * SMALL * len(caption.text) > frame.right + 10.0
        place = (across - 5.0, "end") if beyond else (across + 5.0, "start")
        yield _text(place[0], max(down - 5.0, frame.top + SMALL), caption.text, SMALL, place[1], ink(caption.ink))


def _fitting(text: str, size: float, room: float) -> float:
    """The size at which ``text`` fits into ``room``, at most ``size``."""
    return min(size, room / (LETTER * max(len(text), 1)))


def _stroke(path: str, colour: str, width: float, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="4 2.5"' if dashed else ""
    return f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}" stroke-linejoin="round"{dash}/>'


def _mark_path(path: str, mark: tuple[str, str], colour: str) -> str:
    style = MARK_STYLES[mark[1]]
    paint = f'fill="{colour}"' if mark[1] == "area" else f'stroke="{colour}"'
    return f'<path d="{path}{mark[0]}" {paint} {style}/>'


def _text(
    x: float, y: float, text: str, size: float = FONT, anchor: str = "start", colour: str = "", upright: bool = False
) -> str:
    """One line of words; ``upright`` reads from below to above."""
    if not text:
        return ""
    turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if upright else ""
    style = f'font-size="{size:.3g}" text-anchor="{anchor}" fill="{colour or ink("ink")}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" {style}{turn}>{escape(text)}</text>'
