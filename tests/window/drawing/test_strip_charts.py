"""Strip charts draw what they are given, in the units they name."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.window.drawing import strip_charts
from whirlbench.window.drawing.strip_charts import StripStack
from whirlbench.window.drawing.strips import BY_NAME, VIBRATION


@pytest.fixture
def stack(qtbot) -> StripStack:
    strip_charts.set_look()
    made = StripStack([(BY_NAME["rpm"], BY_NAME["speed_request_rpm"]), (VIBRATION, None)], "seconds ago")
    qtbot.addWidget(made)
    made.resize(700, 400)
    made.show()
    return made


def test_the_axis_shows_the_unit_it_names(stack: StripStack) -> None:
    chart = stack.charts["vibration_g"]
    chart.draw(np.arange(100.0), np.linspace(0.0, 0.3, 100))
    axis = chart.getPlotItem().getAxis("left")
    axis.setRange(0.0, 0.3)  # where the library would choose a prefix, were it allowed to
    assert axis.autoSIPrefixScale == 1.0
    assert chart.heading.text() == "vibration (g)"


def test_a_long_series_is_reduced_to_the_width(stack: StripStack) -> None:
    chart = stack.charts["rpm"]
    values = np.zeros(100_000)
    values[54_321] = 6300.0
    chart.draw(np.linspace(-60.0, 0.0, 100_000), values, values)
    shown = chart._main_curve.getData()[1]
    assert len(shown) <= 2 * chart.width()
    assert shown.max() == 6300.0


def test_the_limit_line_comes_and_goes(stack: StripStack) -> None:
    chart = stack.charts["rpm"]
    stack.show_limits({"rpm": 6200.0})
    assert chart._limit in chart.getPlotItem().items
    assert chart._limit.value() == 6200.0
    stack.show_limits({})
    assert chart._limit not in chart.getPlotItem().items


def test_the_cursor_stands_on_every_strip_and_moves_all(stack: StripStack, qtbot) -> None:
    stack.show_cursor(2.5)
    assert [chart._cursor.value() for chart in stack.charts.values()] == [2.5, 2.5]
    with qtbot.waitSignal(stack.cursor_moved) as moved:
        stack.charts["rpm"]._cursor.sigDragged.emit(stack.charts["rpm"]._cursor)
    assert moved.args == [2.5]
