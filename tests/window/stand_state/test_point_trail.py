"""Places of the operating point: one a quarter of a second, for a minute, and what a portion of samples changed."""

from __future__ import annotations

import math

import numpy as np

from whirlbench.window.stand_state.point_trail import PointTrail


def take(trail: PointTrail, *times_s: float) -> tuple[list[float], list[float]]:
    time_s = np.array(times_s)
    news = trail.take(time_s, 10.0 * time_s, time_s)
    return news.came[1].tolist(), news.went[1].tolist()


def test_a_place_stays_as_it_is_however_the_samples_are_cut() -> None:
    whole, cut = PointTrail(), PointTrail()
    time_s = np.arange(0.0, 100.0, 0.02)
    whole.take(time_s, time_s, -time_s)
    for part in np.array_split(np.arange(len(time_s)), 300):
        cut.take(time_s[part], time_s[part], -time_s[part])
    np.testing.assert_array_equal(whole.places, cut.places)
    assert whole.places.shape == (2, 240) and np.ptp(whole.places[0]) <= 60.0


def test_what_came_and_what_went_reaches_to_the_neighbour_that_stays() -> None:
    trail = PointTrail()
    assert take(trail, 0.0, 0.1, 0.3) == ([0.0, 0.3], [])
    assert take(trail, 0.4) == ([], [])  # of a quarter that has its place
    assert take(trail, 0.6) == ([0.3, 0.6], [])
    assert take(trail, 60.2) == ([0.6, 60.2], [0.0, 0.3])
    assert take(trail) == ([], [])
    assert take(trail, 200.0) == ([200.0], [0.3, 0.6, 60.2])


def test_a_clock_that_runs_back_begins_anew() -> None:
    trail = PointTrail()
    take(trail, 10.0, 11.0)
    assert take(trail, 12.0, 0.0, 1.0) == ([0.0, 1.0], [10.0, 11.0])
    fresh = PointTrail()
    assert take(fresh, 12.0, 0.0, 1.0) == ([0.0, 1.0], [])


def test_what_is_not_known_is_a_place_without_a_value() -> None:
    trail = PointTrail()
    trail.take(np.array([0.0, 1.0]), np.array([100.0, math.nan]), np.array([2.0, 2.0]))
    assert math.isnan(trail.places[0, 1]) and trail.places[1, 1] == 2.0
