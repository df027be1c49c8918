"""The minute reduced as it comes is the minute reduced at once; gaps stay gaps, late samples still arrive."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.window.stand_state.column_trail import ColumnTrail, Stream

COLUMN_S, COLUMNS = 0.1, 80


def series(seed: int = 1, seconds: float = 12.0, rate_hz: float = 50.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, 1 / rate_hz)
    return time_s, np.cumsum(rng.standard_normal((2, len(time_s))), axis=1)


def line_extents(time_s: np.ndarray, values: np.ndarray, column: int) -> tuple[float, float]:
    """Least and greatest of the line through the samples within a column, by drawing it in a thousand points."""
    at_s = np.linspace(column * COLUMN_S, (column + 1) * COLUMN_S, 1001)
    inside = values[(time_s >= at_s[0]) & (time_s < at_s[-1])]
    drawn = np.append(np.interp(at_s, time_s, values), inside)
    return float(drawn.min()), float(drawn.max())


def taken(time_s: np.ndarray, values: np.ndarray, chunks: list[int]) -> ColumnTrail:
    trail, stream, first = ColumnTrail(2, COLUMNS, COLUMN_S), Stream(slice(0, 2)), 0
    for count in chunks:
        trail.take(stream, time_s[first : first + count], values[:, first : first + count])
        first += count
    assert first >= len(time_s)
    return trail


@pytest.mark.parametrize("rate_hz", [50.0, 500.0, 7.0])
def test_a_column_holds_the_extent_of_the_line_in_it(rate_hz: float) -> None:
    time_s, values = series(rate_hz=rate_hz)
    portion = max(1, int(rate_hz / 30))
    trail = taken(time_s, values, [portion] * (len(time_s) // portion + 1))
    for column in range(trail.newest - COLUMNS + 2, trail.newest, 7):  # the newest is not yet full
        for row in range(2):
            found = trail.low[row, column % COLUMNS], trail.high[row, column % COLUMNS]
            assert found == pytest.approx(line_extents(time_s, values[row], column), abs=0.02)


def test_portions_of_any_size_give_the_same_columns() -> None:
    time_s, values = series()
    at_once = taken(time_s, values, [len(time_s)])
    rng = np.random.default_rng(3)
    portions = taken(time_s, values, [*rng.integers(1, 40, len(time_s)).tolist()])
    assert portions.newest == at_once.newest
    # the ring's oldest column has lost what came before it, and a line may enter it from there
    kept = np.arange(at_once.newest - COLUMNS + 2, at_once.newest + 1) % COLUMNS
    np.testing.assert_allclose(portions.low[:, kept], at_once.low[:, kept])
    np.testing.assert_allclose(portions.high[:, kept], at_once.high[:, kept])


def test_where_samples_were_lost_the_line_is_broken() -> None:
    time_s, values = series()
    kept = (time_s < 8.0) | (time_s > 9.05)
    trail = taken(time_s[kept], values[:, kept], [5] * int(kept.sum()))
    lost = np.arange(81, 89) % COLUMNS
    assert np.isnan(trail.low[:, lost]).all() and np.isnan(trail.high[:, lost]).all()
    known = np.array([78, 79, 91, 92]) % COLUMNS
    assert np.isfinite(trail.low[:, known]).all()


def test_a_reading_that_is_none_breaks_the_line_of_its_channel_alone() -> None:
    time_s, values = series()
    values[1, (time_s > 8.0) & (time_s < 9.05)] = np.nan
    trail = taken(time_s, values, [len(time_s)])
    lost = np.arange(81, 90) % COLUMNS
    assert np.isnan(trail.low[1, lost]).all() and np.isfinite(trail.low[0, lost]).all()


def test_what_was_a_minute_ago_is_forgotten() -> None:
    trail, stream = ColumnTrail(1, COLUMNS, COLUMN_S), Stream(slice(0, 1), gap_s=0.05)
    trail.take(stream, np.array([0.05, 0.06]), np.array([[5.0, 6.0]]))
    trail.take(stream, np.array([COLUMNS * COLUMN_S + 0.05]), np.array([[1.0]]))
    assert np.nanmax(trail.high) == 1.0
    trail.take(Stream(slice(0, 1)), np.array([0.07]), np.array([[9.0]]))  # and what comes too late is dropped
    assert np.nanmax(trail.high) == 1.0


def test_changed_columns_are_named_once_and_late_samples_name_theirs_again() -> None:
    trail, quick, slow = ColumnTrail(2, COLUMNS, COLUMN_S), Stream(slice(0, 1)), Stream(slice(1, 2))
    assert not trail.changed()
    trail.take(quick, np.arange(0.0, 2.0, 0.02), np.ones((1, 100)))
    assert trail.changed() == range(0, 20)
    assert not trail.changed()
    trail.take(quick, np.array([2.0, 2.02]), np.ones((1, 2)))
    assert trail.changed() == range(19, 21)  # the line into the new column ends the one before
    trail.take(slow, np.array([1.72, 1.75]), np.ones((1, 2)))
    assert trail.changed() == range(17, 21)
    trail.take(quick, np.array([100.0]), np.ones((1, 1)))
    assert trail.changed() == range(1001 - COLUMNS, 1001)  # never more than there are
