"""Charts as SVG: values where they belong, gaps open, no peak lost, words as words, the same bytes each time."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from whirlbench.report.chart_drawing import chart_svg
from whirlbench.report.svg_chart import COLUMN, _columns
from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, Heatmap, MarkLine, Stretch

SVG = "{http://www.w3.org/2000/svg}"
X = np.linspace(0.0, 10.0, 11)


def drawn(chart: Chart, width_in: float = 4.4, height_in: float = 2.5) -> ElementTree.Element:
    return ElementTree.fromstring(chart_svg(chart, width_in, height_in))


def words(root: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def curve_points(root: ElementTree.Element) -> list[np.ndarray]:
    """Corners of each piece of the first curve."""
    (path,) = [one.get("d") for one in root.find(f"{SVG}g").iter(f"{SVG}path")]
    pieces = [piece for piece in path.replace("h0", "").split("M") if piece]
    return [np.array([pair.split(",") for pair in piece.split()], dtype=float) for piece in pieces]


def test_a_curve_lies_where_its_figures_say() -> None:
    """Scale taken from the chart's own grid, so that figures on the axes and curve cannot disagree."""
    root = drawn(Chart("t", "x", "y", (Curve(X, 3.0 * X),), x_span=(0.0, 10.0), y_span=(0.0, 30.0)))
    (points,), texts = curve_points(root), list(root.iter(f"{SVG}text"))
    across = {one.text: float(one.get("x")) for one in texts if one.get("text-anchor") == "middle"}
    down = {one.text: float(one.get("y")) - 3.0 for one in texts if one.get("text-anchor") == "end"}
    for place in (0, 4, 10):
        assert points[place][0] == pytest.approx(across[f"{place}"], abs=0.15)
    for place in (0, 10):
        assert points[place][1] == pytest.approx(down[f"{3 * place}"], abs=0.15)


def test_a_gap_stays_open_and_a_value_alone_is_seen() -> None:
    y = X.copy()
    y[[3, 5]] = np.nan
    pieces = curve_points(drawn(Chart("t", "x", "y", (Curve(X, y),))))
    assert [len(piece) for piece in pieces] == [3, 1, 5]


def test_a_long_curve_keeps_every_peak_and_every_gap() -> None:
    x = np.linspace(0.0, 300.0, 60_000)
    y = np.zeros(len(x))
    y[12_345], y[54_321], y[30_000:30_003] = 9.0, -7.0, np.nan
    across, down = _columns(x, y)
    assert len(across) <= 5 * (300.0 / COLUMN + 1) and np.all(np.diff(across) > 0.0)
    assert np.nanmax(down) == 9.0 and np.nanmin(down) == -7.0 and np.isnan(down).any()
    assert (across[0], across[-1]) == (0.0, 300.0)
    backwards = _columns(x[::-1], y[::-1])
    assert backwards[0] is not None and len(backwards[0]) == len(x)  # a loop is no function of x: drawn as it is


def test_words_of_a_rig_file_are_words() -> None:
    name = '<b>&"$x^2$'
    chart = Chart(
        name, name, name, (Curve(X, X, name, dots=True),), (Band(X, X - 1.0, X + 1.0, label="band"),),
        lines=(MarkLine(5.0, "upright"), MarkLine(5.0, "level", upright=False), MarkLine(99.0, "outside")),
        stretches=(Stretch(1.0, 2.0, label="avoid"),), boxes=(Box((1.0, 4.0), (2.0, 3.0), "box"),),
        captions=(Caption(9.9, 5.0, "a caption at the right edge"),),
    )  # fmt: skip
    told = words(drawn(chart))
    assert told.count(name) == 4 and "outside" not in told
    assert {"band", "upright", "level", "avoid", "box", "a caption at the right edge"} <= set(told)


def test_words_keep_within_the_picture() -> None:
    long = "a label that is longer than the frame is high, as some are"
    chart = Chart("t" * 90, "x", "y", (Curve(X, X),), lines=(MarkLine(5.0, "overspeed trip 6000"),) * 3,
                  captions=(Caption(9.9, 5.0, long),))  # fmt: skip
    root = drawn(chart)
    wide, high = 4.4 * 72.0, 2.5 * 72.0
    for one in root.iter(f"{SVG}text"):
        size, x, y = (float(one.get(key)) for key in ("font-size", "x", "y"))
        length = 0.52 * size * len(one.text)
        if one.get("transform"):
            assert y + (length if one.get("text-anchor") == "end" else length / 2.0) < high - 20.0
        elif one.get("text-anchor") == "end":
            assert x - length > -2.0
        else:
            assert x + (length / 2.0 if one.get("text-anchor") == "middle" else length) < wide + 2.0


def test_the_same_chart_gives_the_same_bytes_and_only_a_heat_map_asks_the_library() -> None:
    chart = Chart("t", "x", "y", (Curve(X + 1.0, X, "a"), Curve(X + 1.0, X, "b", dashed=True)), logarithmic=True)
    assert chart_svg(chart) == chart_svg(chart) and not re.search(r"\bnan\b|\binf\b", chart_svg(chart))
    mapped = Chart("t", "x", "y", heatmap=Heatmap((0.0, 1.0), (0.0, 1.0), np.eye(3)))
    assert "<image" in chart_svg(mapped)


@pytest.mark.parametrize("values", [[], [np.nan, np.nan], [5.0], [2.0, 2.0]])
def test_a_chart_with_nothing_to_draw_is_a_frame(values: list[float]) -> None:
    chart = Chart("t", "x", "y", (Curve(np.arange(len(values), dtype=float), np.array(values)),))
    assert "nan" not in chart_svg(chart) and words(drawn(chart))[0] != ""
