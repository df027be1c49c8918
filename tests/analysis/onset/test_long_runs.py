"""Hours of running: as many beginnings are watched as are needed, not one for each twelve seconds of the run."""

import numpy as np

from whirlbench.analysis.onset.likelihood_ratio import APART, BLOCK, SHAPES, _Beginnings


class NoFilter:
    """A filter without states."""

    def stream(self, columns):
        return self

    def keep(self, columns, more):
        pass

    def forget(self, columns):
        pass


def beginnings_after(hours):
    step_s = 0.25
    time_s = np.arange(round(hours * 3600 / step_s)) * step_s
    watched = _Beginnings(NoFilter(), np.zeros((len(time_s), 1)), ((0,),), slots=1)
    for block in range(0, len(time_s) // BLOCK, APART):
        watched.begin(block, time_s[block * BLOCK])
    assert len(watched._energy) == len(SHAPES) * len(watched._begun_s)
    return watched._begun_s[1:]


def test_none_is_left_out_in_ten_minutes():
    assert np.allclose(np.diff(beginnings_after(10 / 60)), 12.0)


def test_beginnings_grow_with_the_logarithm_of_the_run():
    after = [len(beginnings_after(hours)) for hours in (1, 2, 4)]
    assert after[0] < 150 and after[2] - after[1] < 45
    begun_s = beginnings_after(2)
    age_s = begun_s[-1] - begun_s[1:]
    assert begun_s[0] == 0.0 and np.all(np.diff(begun_s) <= np.maximum(24.0, age_s / 12 + 24.0))
