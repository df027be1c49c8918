"""Margins change colour before the limit is reached."""

from __future__ import annotations

import pytest

from whirlbench.window.drawing import palette
from whirlbench.window.drawing.margin_panel import margin_ink


@pytest.mark.parametrize(("share", "ink"), [(0.5, "CALM"), (0.85, "CLOSE"), (1.0, "OVER"), (float("nan"), "FAINT")])
def test_a_margin_changes_colour_before_the_limit(share: float, ink: str) -> None:
    assert margin_ink(share) == getattr(palette, ink)
