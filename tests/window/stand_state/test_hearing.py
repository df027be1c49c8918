"""How old what is shown is, and since when no heartbeat leaves: by the surface's own clock."""

from __future__ import annotations

import math

import pytest

from whirlbench.session.engine import Progress
from whirlbench.window.stand_state.hearing import HELD_BACK_S, NONE_YET, Hearing


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def progress(time_s: float, withheld: str = "", heartbeats: int = 5) -> Progress:
    return Progress("running", "turning", time_s=time_s, withheld=withheld, counters={"heartbeats": heartbeats})


def test_before_the_first_sample_nothing_was_heard(clock: Clock) -> None:
    assert Hearing(clock).look(Progress("connecting", ""), True).age_s == math.inf


def test_age_grows_while_nothing_new_comes_and_begins_anew_with_the_next_sample(clock: Clock) -> None:
    hearing = Hearing(clock)
    assert hearing.look(progress(1.0), True).age_s == 0.0
    clock.now_s += 2.5
    assert hearing.look(progress(1.0), False).age_s == 2.5
    assert hearing.look(progress(1.02), True).age_s == 0.0


def test_a_device_whose_time_begins_anew_is_heard(clock: Clock) -> None:
    hearing = Hearing(clock)
    hearing.look(progress(50.0), True)
    clock.now_s += 5.0
    assert hearing.look(progress(0.0), True).age_s == 0.0


def test_a_heartbeat_that_has_never_left_or_lastingly_does_not_is_told(clock: Clock) -> None:
    hearing = Hearing(clock)
    assert hearing.look(progress(1.0, heartbeats=0), True).no_heartbeat == NONE_YET
    assert hearing.look(progress(1.1), True).no_heartbeat == ""
    assert hearing.look(progress(1.2, "no fresh telemetry"), True).no_heartbeat == ""  # of one turn
    clock.now_s += HELD_BACK_S
    assert hearing.look(progress(1.3, "no fresh telemetry"), True).no_heartbeat == "no fresh telemetry"
    assert hearing.look(progress(1.4), True).no_heartbeat == ""
    assert hearing.look(progress(1.5, "no fresh telemetry"), True).no_heartbeat == ""
