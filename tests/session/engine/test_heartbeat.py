"""When a heartbeat may leave, and how late telemetry is."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.session.engine.heartbeat import HeartbeatKeeper, Lateness


def keeper_after(telemetry_until_s, until_s, surface_age_s=lambda now_s: 0.0, delay_s=lambda now_s: 0.001):
    """Times at which heartbeats left, telemetry every 2 ms until ``telemetry_until_s``."""
    keeper, sent = HeartbeatKeeper(0.1, 0.3), []
    for turn in range(round(until_s / 0.002)):
        now_s = turn * 0.002
        if now_s <= telemetry_until_s:
            keeper.checked(now_s, now_s - delay_s(now_s))
        if keeper.due(now_s, surface_age_s(now_s)):
            sent.append(now_s)
    return keeper, sent


def test_four_heartbeats_within_the_limit():
    _, sent = keeper_after(1.0, 1.0)
    assert len(sent) == pytest.approx(40, abs=2)


def test_none_without_fresh_telemetry():
    keeper, sent = keeper_after(0.5, 1.0)
    assert sent[-1] <= 0.5 + 0.026
    assert keeper.withheld == "no fresh telemetry"


def test_none_while_the_surface_is_silent():
    keeper, sent = keeper_after(1.0, 1.0, surface_age_s=lambda now_s: max(0.0, now_s - 0.2))
    assert sent[-1] == pytest.approx(0.5, abs=0.03)
    assert "surface was silent" in keeper.withheld


@pytest.mark.parametrize("age_s", [float("inf"), float("nan")])
def test_a_surface_that_was_never_heard_is_told_in_words(age_s):
    keeper, sent = keeper_after(1.0, 1.0, surface_age_s=lambda now_s: age_s)
    assert sent == [] and keeper.withheld == "the operator's surface is not heard at all"


def test_none_for_a_backlog():
    keeper, sent = keeper_after(1.0, 1.0, delay_s=lambda now_s: 0.001 if now_s < 0.5 else 0.2)
    assert sent[-1] <= 0.51
    assert "late" in keeper.withheld


def test_a_backlog_that_creeps_in_is_noticed():
    """Two percent more delay with every second: no single sample stands out."""
    _, sent = keeper_after(10.0, 10.0, delay_s=lambda now_s: 0.02 * now_s)
    assert sent[-1] < 5.0


@given(st.floats(-0.005, 0.005))
def test_the_clocks_may_drift_by_half_a_percent(drift):
    lateness = Lateness()
    worst = max(lateness.of(at_s, at_s * (1 + drift)) for at_s in (turn * 0.1 for turn in range(36_000)))
    assert worst < 0.01


def test_an_answer_tells_a_slow_clock_from_a_backlog():
    keeper = HeartbeatKeeper(0.1, 0.3)
    keeper.checked(0.0, 0.0)
    keeper.checked(1.0, 0.5)  # half a second behind: a backlog, or a clock at half speed?
    assert keeper.suspicious and not keeper.due(1.0, 0.0)
    keeper.checked(1.02, 0.51)
    keeper.answered(1.02, 0.51, asked_s=1.0)
    assert keeper.due(1.02, 0.0)


def test_an_answer_that_took_long_proves_nothing():
    keeper = HeartbeatKeeper(0.1, 0.3)
    keeper.checked(0.0, 0.0)
    keeper.checked(1.0, 0.5)
    keeper.answered(1.4, 0.9, asked_s=1.0)
    keeper.checked(1.4, 0.9)
    assert not keeper.due(1.4, 0.0)


def test_a_restart_forgets_the_old_clock():
    keeper, _ = keeper_after(1.0, 1.0)
    keeper.restart()
    keeper.checked(1.1, 0.001)
    assert keeper.due(1.1, 0.0)


def test_what_is_not_a_number_is_no_sign_of_life():
    keeper = HeartbeatKeeper(0.1, 0.3)
    keeper.checked(1.0, 1.0)
    assert not keeper.due(1.0, float("nan"))
    assert "surface" in keeper.withheld
    keeper.checked(1.002, float("nan"))
    assert not keeper.due(1.002, 0.0)
    assert "late" in keeper.withheld
