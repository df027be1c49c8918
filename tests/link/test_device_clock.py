"""The device's clock: unwrapping, late times, restarts."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.link.device_clock import DeviceClock
from whirlbench.link.messages import Tach

WRAP = 1 << 32


@given(st.integers(0, WRAP - 1), st.lists(st.integers(0, WRAP // 2 - 1), max_size=50))
def test_unwraps_any_increasing_times(start_us, steps_us):
    clock = DeviceClock()
    true_us = start_us
    for step_us in (0, *steps_us):
        true_us += step_us
        assert clock.unwrap(true_us % WRAP) == true_us


@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 10**6)), max_size=50))
def test_late_times_unwrap_to_where_they_belong(steps_us):
    clock = DeviceClock()
    front_us = 10**7
    assert clock.unwrap(front_us) == front_us
    for step_us, late_us in steps_us:
        front_us += step_us
        assert clock.unwrap(front_us % WRAP) == front_us
        assert clock.unwrap((front_us - late_us) % WRAP) == front_us - late_us
    assert clock.latest_us == front_us


def test_a_restart_continues_after_the_pause():
    clock = DeviceClock()
    clock.unwrap(5_000_000)
    clock.restart(pause_us=250_000)
    assert [clock.unwrap(raw) for raw in (40_000, 42_000, 41_000)] == [5_250_000, 5_252_000, 5_251_000]


def test_a_restart_before_the_first_time_changes_nothing():
    clock = DeviceClock()
    clock.restart()
    assert clock.unwrap(7) == 7


def test_edges_carry_their_half_microseconds_across_the_wrap():
    edges_s = DeviceClock().edges_s(Tach(0, 0b101, (WRAP - 2, WRAP - 1, 3)))
    assert np.allclose(edges_s * 1e6, [WRAP - 1.5, WRAP - 1, WRAP + 3.5], rtol=0, atol=0.01)
    assert DeviceClock().edges_s(Tach(0, 0, ())).shape == (0,)
