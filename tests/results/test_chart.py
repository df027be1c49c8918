"""Charts as plain data: what their axes cover and which figures stand at them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.results.chart import Band, Box, Chart, Curve, MarkLine, ticks
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
