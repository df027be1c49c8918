"""What a screen is shown of a long series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from whirlbench.window.drawing.decimation import outline


@given(arrays(float, st.integers(40, 400), elements=st.floats(-1e6, 1e6)), st.integers(1, 10))
def test_no_peak_of_the_kept_samples_is_lost(values: np.ndarray, columns: int) -> None:
    shown = outline(np.arange(len(values), dtype=float), values, columns)
    kept = values[len(values) % columns :] if len(values) // columns >= 4 else values
    assert shown.y.max() == kept.max()
    assert shown.y.min() == kept.min()
    assert shown.y[-1] == values[-(len(values) // columns) :].max() or len(shown.y) == len(values)


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
