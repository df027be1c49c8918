"""The history keeps what it is told to keep, and finds recent rows by time."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.simulator.stand import StateHistory
from whirlbench.simulator.stand.history import KEPT_STEPS


def filled(keep: bool, steps: int = 20_000) -> StateHistory:
    history = StateHistory((0.0,) * 9, keep)
    for number in range(1, steps + 1):
        history.append((number * 0.001, *(float(number),) * 8))
        history.tidy()
    return history


def test_a_kept_trail_is_whole():
    rows = filled(keep=True).rows()
    assert rows.shape == (20_001, 9) and np.array_equal(rows[:, StateHistory.ANGLE], np.arange(20_001))


def test_an_unkept_trail_stays_short_and_recent():
    history = filled(keep=False)
    assert KEPT_STEPS <= len(history.rows()) <= 2 * KEPT_STEPS
    assert history.last[StateHistory.TIME] == pytest.approx(20.0)


@pytest.mark.parametrize("span", [(19.9, 19.91), (19.9904, 20.0), (20.0, 20.0)])
def test_recent_rows_enclose_the_span(span):
    rows = filled(keep=False).between(*span, 0.001)
    assert rows[0, StateHistory.TIME] <= span[0] and rows[-1, StateHistory.TIME] >= span[1] - 1e-9
    assert len(rows) <= (span[1] - span[0]) / 0.001 + 4


def test_a_span_that_was_dropped_gives_the_oldest_rows():
    history = filled(keep=False)
    assert history.between(1.0, 1.01, 0.001)[0, StateHistory.TIME] == history.rows()[0, StateHistory.TIME]
