"""Charts as plain data: what their axes cover and which figures stand at them."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.report.svg_chart import svg_chart
from whirlbench.results.chart import Band, Box, Chart, Curve, MarkLine, ticks
from whirlbench.results.check.root_drawing import root_drawing
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.drawing.chart_scale import ChartScale

X = np.array([1.0, 2.0, 4.0])


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 12))
def test_figures_are_round_and_inside(low: float, width: float, wanted: int) -> None:
    found = ticks((low, low + width), wanted)
    assert len(found) <= 1.5 * wanted + 2
    slack = 1e-6 * (abs(low) + width)
    for tick in found:
        assert low - slack <= tick.at <= low + width + slack
        assert math.isclose(float(tick.text), tick.at, rel_tol=1e-6, abs_tol=slack)


def test_figures_step_by_one_two_or_five() -> None:
    assert [tick.text for tick in ticks((0.0, 1.0), 4)] == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert [tick.text for tick in ticks((-30.0, 30.0), 5)] == ["-30", "-20", "-10", "0", "10", "20", "30"]
    assert [tick.text for tick in ticks((0.1, 10.0), 9, logarithmic=True)] == ["0.1", "0.2", "0.5", "1", "2", "5", "10"]


@pytest.mark.parametrize("span", [(1.0, 1.0), (2.0, 1.0), (float("nan"), 1.0), (0.0, float("inf"))])
def test_an_axis_without_extent_has_no_figures(span: tuple[float, float]) -> None:
    assert ticks(span, 5) == ()


def test_everything_drawn_lies_inside_the_axes() -> None:
    chart = Chart(
        "", "x", "y", (Curve(X, np.array([1.0, np.nan, 3.0])),), (Band(X, X - 5.0, X),),
        lines=(MarkLine(9.0, upright=False), MarkLine(77.0)), boxes=(Box((0.0, 5.0), (0.0, 2.0)),),
    )  # fmt: skip
    (left, right), (low, high) = chart.spans()
    assert (left, right) == (0.0, 5.0)  # an upright rule far away does not stretch the axis
    assert low < -4.0 and high > 9.0


def test_a_logarithmic_axis_leaves_out_what_it_cannot_show() -> None:
    chart = Chart("", "", "", (Curve(np.array([0.0, 0.5, 8.0]), X),), logarithmic=True)
    assert chart.spans()[0] == (0.5, 8.0)


def test_an_empty_sheet_can_be_drawn() -> None:
    (left, right), (low, high) = Chart("", "", "").spans()
    assert left < right and low < high


def test_the_key_names_each_label_once() -> None:
    dots = Curve(X, X, "holds", "ink", dots=True)
    chart = Chart("", "", "", (dots, dots, Curve(X, X)), (Band(X, X, X, "model", "95 %"),))
    assert chart.legend() == (("holds", "ink", "dots"), ("95 %", "model", "band"))


@pytest.mark.parametrize("logarithmic", [False, True])
def test_pixels_lead_back_to_their_places(logarithmic: bool) -> None:
    scale = ChartScale(58.0, 46.0, 400.0, 200.0, (0.5, 50.0), (-3.0, 9.0), logarithmic)
    for x, y in ((0.5, -3.0), (7.0, 0.0), (50.0, 9.0)):
        assert scale.x_at(float(scale.x_px(x))) == pytest.approx(x)
        assert scale.y_at(float(scale.y_px(y))) == pytest.approx(y)
    assert scale.holds(58.0, 246.0) and not scale.holds(57.0, 246.0)
    assert scale.x_at(-1000.0) == pytest.approx(0.5)


@pytest.mark.parametrize(("width", "height"), [(700.0, 150.0), (300.0, 900.0), (400.0, 400.0)])
def test_a_drawing_keeps_its_shape_on_any_area_and_leaves_nothing_out(width: float, height: float) -> None:
    chart = Chart("", "", "", x_span=(10.0, 60.0), y_span=(-20.0, 5.0), true_shape=True)
    x, y = chart.spans_on(width, height)
    assert (x[1] - x[0]) / width == pytest.approx((y[1] - y[0]) / height)
    assert x[0] == 10.0 and x[1] >= 60.0 - 1e-9 and y[0] <= -20.0 + 1e-9 and y[1] >= 5.0 - 1e-9
    assert Chart("", "", "", x_span=(10.0, 60.0), y_span=(-20.0, 5.0)).spans_on(width, height) == chart.spans()


def test_the_hole_of_a_root_is_round_on_every_surface() -> None:
    rig = parse_rig(example_rig_text())
    chart = root_drawing(rig.blade_sets["moulded"].root, "moulded")
    x, y = chart.spans_on(640.0, 220.0)
    scale = ChartScale(0.0, 0.0, 640.0, 220.0, x, y)
    hole = next(curve for curve in chart.curves if len(curve.x) > 20)
    wide, high = np.ptp(scale.x_px(hole.x)), np.ptp(scale.y_px(hole.y))
    assert wide == pytest.approx(high, rel=0.02) and wide > 3.0
    path = re.search(r'<path d="(M[^"]{200,})"', svg_chart(chart, 6.0, 2.4))
    places = np.array([pair.split(",") for pair in re.findall(r"[\d.]+,[\d.]+", path[1])], dtype=float)
    assert np.ptp(places[:, 0]) == pytest.approx(np.ptp(places[:, 1]), rel=0.05)
