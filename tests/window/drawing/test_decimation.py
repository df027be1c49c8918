"""What a screen is shown of a long series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from whirlbench.window.drawing.decimation import outline, outline_between


@given(arrays(float, st.integers(40, 400), elements=st.floats(-1e6, 1e6)), st.integers(1, 10))
def test_no_sample_is_left_out_neither_the_first_nor_the_last(values: np.ndarray, columns: int) -> None:
    x = np.arange(len(values), dtype=float)
    shown = outline(x, values, columns)
    assert (shown.y.max(), shown.y.min()) == (values.max(), values.min())
    assert (shown.x[0], shown.x[-1]) == (x[0], x[-1])
    for end in (0, -1):  # a peak at either end is drawn there
        peaked = values.copy()
        peaked[end] = 2e6
        assert outline(x, peaked, columns).y[-1 if end else slice(0, 2)].max() == 2e6


@given(st.integers(1, 300), st.floats(0.0, 0.9), st.floats(0.01, 0.5))
def test_a_stretch_keeps_its_peaks_and_reaches_over_its_edges(columns: int, from_share: float, share: float) -> None:
    x = np.linspace(0.0, 10.0, 5001)
    y = np.random.default_rng(columns).normal(size=len(x))
    from_x, to_x = 10.0 * from_share, min(10.0 * (from_share + share), 10.0)
    shown = outline_between(x, y, from_x, to_x, columns, np.inf)
    inside = y[(x >= from_x) & (x <= to_x)]
    assert shown.x[0] <= from_x and shown.x[-1] >= to_x
    assert shown.y.max() >= inside.max() and shown.y.min() <= inside.min()
    assert len(shown.x) <= max(4 * columns, 2 * columns + 4)


def test_a_few_samples_come_as_they_are() -> None:
    x = np.linspace(0.0, 10.0, 10_001)
    shown = outline_between(x, np.sin(x), 3.0, 3.01, 400, np.inf)
    assert len(shown.x) == len(np.unique(shown.x)) <= 13
    assert np.isin(shown.x, x).all() and (shown.y == np.sin(shown.x)).all()


def test_lost_samples_break_the_line_and_a_gap_is_not_drawn_over() -> None:
    x = np.delete(np.arange(0.0, 100.0, 0.01), slice(3000, 5000))
    for columns in (50, 5000):
        shown = outline_between(x, np.ones(len(x)), 0.0, 100.0, columns, gap=0.03)
        broken = shown.x[np.isnan(shown.y)]
        assert len(broken) == 1 and broken[0] == 50.0
    assert not np.isnan(outline_between(x, np.ones(len(x)), 0.0, 100.0, 50, gap=np.inf).y).any()


def test_short_series_come_back_unchanged() -> None:
    x = np.arange(30.0)
    assert outline(x, x, 10).y is x


def test_a_gap_breaks_the_line_but_hides_no_peak() -> None:
    values = np.zeros(1000)
    values[200:400] = np.nan
    values[450] = np.nan
    values[455] = 9.0
    shown = outline(np.arange(1000.0), values, 100)
    assert np.isnan(shown.y[40:80]).all()
    assert np.nanmax(shown.y) == 9.0
    assert np.isfinite(shown.y[90])


def test_times_stay_in_order_and_inside() -> None:
    x = np.linspace(5.0, 6.0, 12345)
    shown = outline(x, np.sin(x), 317)
    assert (np.diff(shown.x) >= 0).all()
    assert shown.x[0] >= 5.0
    assert shown.x[-1] <= 6.0


def test_no_columns_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="columns is 0"):
        outline(np.arange(9.0), np.arange(9.0), 0)
