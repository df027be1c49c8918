"""The orders panel fills its troughs to the level, marks the band, and hatches what has no reading."""

from __future__ import annotations

import math

import pytest
from PyQt5 import QtGui

from whirlbench.results.live_orders import OrderLevel
from whirlbench.window.drawing import palette
from whirlbench.window.live.orders_panel import ROW_PX, OrdersPanel


@pytest.fixture
def panel(qtbot) -> OrdersPanel:
    made = OrdersPanel()
    qtbot.addWidget(made)
    made.resize(408, 200)  # 400 px for the scale
    return made


def row_colours(panel: OrdersPanel, row: int) -> list[str]:
    picture: QtGui.QImage = panel.grab().toImage()
    return [picture.pixelColor(x, row * ROW_PX + 28).name() for x in range(400)]


def test_levels_lie_on_one_round_scale(panel: OrdersPanel) -> None:
    panel.show_levels([OrderLevel("1P", 0.5, 0.4, 0.8), OrderLevel("2P", 0.25, 0.25, 0.25)])
    assert panel.greatest_g() == 1.0
    first, second = row_colours(panel, 0), row_colours(panel, 1)
    assert first[10] == first[150] == palette.MEASURED and first[210] == palette.RULE
    assert second[90] == palette.MEASURED and second[110] == palette.RULE
    assert first[160] == first[320] == palette.INK  # the band
    assert "1P: 0.50 g, in the last minute 0.40 to 0.80" in panel.accessibleDescription()


def test_what_has_no_reading_is_hatched_not_empty(panel: OrdersPanel) -> None:
    panel.show_levels([OrderLevel("1P", math.nan)])
    assert set(row_colours(panel, 0)) >= {palette.RULE, palette.INK}
    assert palette.MEASURED not in row_colours(panel, 0)
