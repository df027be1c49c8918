"""The whole state table, and what may never happen."""

import pytest

from whirlbench.link import messages
from whirlbench.safety.state_table import GRID, Happening, Stand, advance, reachable

# state, then the state after: ARM DISARM DRIVE REST REST_DISARMED TRIP ABORT RESTART POWER_ON RESET ("-": refused)
EXPECTED = """
LOCKED   ARMED LOCKED  LOCKED  LOCKED  LOCKED  -       TRIPPED TRIPPED LOCKED -
ARMED    -     LOCKED  TURNING ARMED   LOCKED  TRIPPED TRIPPED TRIPPED LOCKED -
TURNING  -     TURNING TURNING ARMED   LOCKED  TRIPPED TRIPPED TRIPPED LOCKED -
TRIPPED  -     TRIPPED TRIPPED TRIPPED TRIPPED TRIPPED TRIPPED TRIPPED LOCKED LOCKED
"""


def expected_table():
    for line in EXPECTED.split("\n")[1:-1]:
        state, *targets = line.split()
        for event, target in zip(Happening, targets, strict=True):
            yield Stand[state], event, target


@pytest.mark.parametrize(("state", "event", "target"), list(expected_table()))
def test_every_state_and_event(state, event, target):
    step = advance(state, event)
    assert step.permitted == (target != "-")
    assert step.state == (state if target == "-" else Stand[target])


def test_table_is_complete():
    assert list(GRID) == list(Happening)
    assert all(len(row) == len(Stand) for row in GRID.values())


def test_states_are_those_of_the_wire():
    assert {state.name: int(state) for state in Stand} == {state.name: int(state) for state in messages.State}


def test_only_reset_or_power_cycle_leaves_tripped():
    leaving = {event for event in Happening if advance(Stand.TRIPPED, event).state != Stand.TRIPPED}
    assert leaving == {Happening.RESET, Happening.POWER_ON}


def test_nothing_turns_without_having_been_armed():
    found = reachable(Stand.LOCKED, without=frozenset({Happening.ARM, Happening.RESTART}))
    assert found == {Stand.LOCKED, Stand.TRIPPED}  # an abort is kept


def test_tripped_without_reset_stays_tripped():
    without = frozenset({Happening.RESTART, Happening.POWER_ON, Happening.RESET})
    assert reachable(Stand.TRIPPED, without) == {Stand.TRIPPED}
    assert reachable(Stand.TURNING, without) == set(Stand)
