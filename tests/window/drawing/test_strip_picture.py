"""A picture of which only the changed columns are drawn is the picture that is drawn at once, pixel by pixel."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.window.drawing.strip_picture import (
    DASH_COLUMNS,
    DASHED_COLUMNS,
    GHOST_EVERY,
    Band,
    Inks,
    StripPicture,
    settled_span,
)
from whirlbench.window.stand_state.column_trail import ColumnTrail, Stream

COLUMNS = 64
INKS = Inks(card=1, limit=2, behind=3, curves=(4, 5))
BANDS = (Band(40, (-4.0, 4.0), curve=0, behind=1, limit=3.0), Band(25, (0.0, 10.0), curve=2, limit=11.0))


def full(trail: ColumnTrail, marks: dict[int, int], thick: int, ghost=None) -> np.ndarray:
    picture = StripPicture(COLUMNS, BANDS, INKS, thick)
    columns = range(max(trail.newest + 1 - COLUMNS, 0), trail.newest + 1)
    picture.draw(columns, trail.low, trail.high, marks, ghost and ghost(columns))
    return picture.pixels


@pytest.mark.parametrize("thick", [1, 2])
def test_columns_drawn_as_they_come_give_the_picture_drawn_at_once(thick: int) -> None:
    rng = np.random.default_rng(5)
    trail, quick, late = ColumnTrail(3, COLUMNS, 0.1), Stream(slice(0, 2)), Stream(slice(2, 3))
    kept, marks, now_s = StripPicture(COLUMNS, BANDS, INKS, thick), {30: 6, 51: 6, 52: 7, 95: 6}, 0.0
    seen: set[int] = set()
    ghost_low = rng.uniform(-4.0, 4.0, (3, 500))

    def ghost(columns: range) -> tuple[np.ndarray, np.ndarray]:
        low = ghost_low[:, columns.start : columns.stop]
        return low, low + 0.5

    for turn in range(180):
        time_s = now_s + np.arange(1, 1 + int(rng.integers(1, 6))) * 0.01
        now_s = time_s[-1] + (1.4 if turn == 90 else 0.0)  # samples are lost
        values = 1.5 * rng.standard_normal((2, len(time_s)))
        values[1, turn % 50 < 10] = np.nan if turn > 100 else 0.0
        trail.take(quick, time_s, values)
        trail.take(late, time_s - 0.25, rng.uniform(-1.0, 11.0, (1, len(time_s))))  # comes later than the others
        changed = trail.changed()
        kept.draw(changed, trail.low, trail.high, marks, ghost(changed))
        if turn % 20 == 19:
            np.testing.assert_array_equal(kept.pixels, full(trail, marks, thick, ghost))
        seen |= set(np.unique(kept.pixels))
    assert seen == {1, 2, 3, 4, 5, 6, 7}  # each of them was put to the test


def drawn(low: list[float], high: list[float], thick: int = 1) -> np.ndarray:
    """The first band alone with those bars in its first columns."""
    band = Band(9, (0.0, 8.0), curve=0)
    picture = StripPicture(8, (band,), Inks(0, 2, 3, (4,)), thick)
    extents = np.full((2, 1, 8), math.nan)
    extents[0, 0, : len(low)], extents[1, 0, : len(low)] = low, high
    picture.draw(range(8), *extents, {})
    return picture.pixels


def test_a_bar_reaches_from_the_least_to_the_greatest_and_no_further() -> None:
    found = drawn([2.0, 5.0, -3.0, 9.0, 0.0], [4.0, 5.0, 20.0, 12.0, 0.0])
    assert np.flatnonzero(found[:, 0]).tolist() == [4, 5, 6]
    assert np.flatnonzero(found[:, 1]).tolist() == [3]
    assert np.flatnonzero(found[:, 2]).tolist() == list(range(9))
    assert not found[:, 3].any() and not found[:, 5:].any()  # above the strip; nothing known
    assert np.flatnonzero(found[:, 4]).tolist() == [8]
    assert np.flatnonzero(drawn([5.0], [5.0], thick=2)[:, 0]).tolist() == [3, 4]


def test_a_limit_is_dashed_where_the_scale_reaches_it_and_moves_with_the_picture() -> None:
    picture = StripPicture(COLUMNS, BANDS, INKS)
    nothing = np.full((3, COLUMNS), math.nan)
    picture.draw(range(100, 100 + COLUMNS), nothing, nothing, {})
    rows, columns = np.nonzero(picture.pixels == INKS.limit)
    assert set(rows) == {BANDS[0].row(3.0)}
    number = 100 + (columns - 100) % COLUMNS
    assert set(number % DASH_COLUMNS) == set(range(DASHED_COLUMNS))
    assert len(columns) == COLUMNS * DASHED_COLUMNS // DASH_COLUMNS


def test_an_earlier_run_is_dotted_and_lies_behind() -> None:
    picture = StripPicture(COLUMNS, BANDS, INKS)
    level = np.zeros((3, COLUMNS))
    nothing = np.full((3, COLUMNS), math.nan)
    picture.draw(range(COLUMNS), nothing, nothing, {}, (level, level))
    _, columns = np.nonzero(picture.pixels == INKS.behind)
    assert set(columns) == set(range(0, COLUMNS, GHOST_EVERY))
    picture.draw(range(COLUMNS), level, level, {}, (level, level))
    assert INKS.curves[0] in picture.pixels and INKS.behind not in picture.pixels  # the curve covers it


@pytest.mark.parametrize(
    ("present", "low", "high", "expected"),
    [
        (None, 12.0, 5870.0, (0.0, 6000.0)),
        (None, 0.0, 1.0, (0.0, 100.0)),  # the least height; never below zero where nothing is
        ((0.0, 6000.0), 10.0, 5999.0, (0.0, 6000.0)),
        ((0.0, 6000.0), 10.0, 6001.0, (0.0, 8000.0)),
        ((0.0, 6000.0), 10.0, 3400.0, (0.0, 6000.0)),  # still fills enough
        ((0.0, 6000.0), 10.0, 1900.0, (0.0, 2000.0)),
        ((0.0, 6000.0), math.nan, math.nan, (0.0, 6000.0)),
        (None, math.nan, math.nan, (0.0, 100.0)),
    ],
)
def test_a_scale_is_round_and_settles(present, low: float, high: float, expected: tuple[float, float]) -> None:
    assert settled_span(present, low, high, 100.0) == pytest.approx(expected)


def test_a_scale_holds_its_curve_whatever_it_is() -> None:
    rng = np.random.default_rng(6)
    for _ in range(300):
        low = float(rng.normal(0.0, 10.0 ** rng.integers(-2, 5)))
        high = low + float(10.0 ** rng.uniform(-3, 4))
        span = settled_span(None, low, high, 0.2)
        assert span[0] <= low and high <= span[1] and span[1] - span[0] >= 0.2
        assert settled_span(span, low, high, 0.2) == span  # and stays
