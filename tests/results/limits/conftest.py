"""Pitch limits at few speeds: each is a dear walk through all constraints."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from whirlbench.analysis.pitch_limits import end_points
from whirlbench.results.limits import charts


@pytest.fixture(scope="module", autouse=True)
def few_speeds() -> Iterator[None]:
    """Seven on the chart, two to each mode."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(charts, "SPEEDS", 7)
        patch.setattr(end_points, "SPEEDS_PER_MODE", 2)
        yield
