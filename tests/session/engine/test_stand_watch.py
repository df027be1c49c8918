"""The device's shadow: what is believed, what is a trip, whatever order the messages come in."""

import pytest

from whirlbench.link.messages import DeviceEvent, EventKind, Flag, Reason, Slow
from whirlbench.rig.description import Rig, Tach, Vibration
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.session.engine.stand_watch import OPEN_ISOLATOR, StandWatch, reason_name
from whirlbench.session.engine.telemetry import DatedEvent, DatedSlow, Heard


def slow(time_s, state, reason=Reason.NONE, period_ticks=0, throttle_us=1000, flags=0):
    return DatedSlow(time_s, Slow(0, period_ticks, 0, 0, 0, 0, throttle_us, 1500, 0, state, reason, 5000, 3, flags))


def event(time_s, kind, state, reason=Reason.NONE, detail=0):
    return DatedEvent(time_s, DeviceEvent(0, kind, state, reason, detail))


def watch_of(*states):
    watch = StandWatch()
    for time_s, state in enumerate(states):
        watch.asked.add(Happening.ARM)
        watch.follow(Heard(told=[slow(float(time_s), state)]))
    return watch


def test_a_trip_is_one_event_however_often_it_is_told():
    watch = watch_of(Stand.LOCKED, Stand.ARMED, Stand.TURNING)
    told = [
        event(5.0, EventKind.TRIP, Stand.TRIPPED, Reason.OVERSPEED, 19000),
        event(5.0, EventKind.STATE, Stand.TRIPPED, Reason.OVERSPEED),
        slow(5.001, Stand.TRIPPED, Reason.OVERSPEED),
    ]
    events = watch.follow(Heard(told=told))
    assert [(item.kind, item.name) for item in events] == [("trip", "overspeed"), ("state", "tripped")]
    assert events[0].detail == "6316 rpm over one turn"


@pytest.mark.parametrize(
    ("reason", "value", "words"),
    [
        (Reason.VIBRATION, 1100, "4.29 g rms"),
        (Reason.VIBRATION, -1, "no whole window of vibration in time"),
        (Reason.HEARTBEAT_LOST, 101, "host silent for 101 ms"),
        (Reason.HOST_RULE, 0, ""),
    ],
)
def test_a_trips_value_in_the_operators_units(reason, value, words):
    watch = watch_of(Stand.LOCKED, Stand.ARMED)
    (trip, _) = watch.follow(Heard(told=[event(5.0, EventKind.TRIP, Stand.TRIPPED, reason, value)]))
    assert trip.detail == words


def test_a_trips_value_says_what_it_errs_by_where_the_rig_tells():
    rig = Rig(tach=Tach(stderr_pct=0.1), vibration=Vibration(g_per_count=0.0039, stderr_pct=5.0))
    for reason, value, words in (
        (Reason.OVERSPEED, 20000, "6000 ± 6 rpm over one turn"),
        (Reason.VIBRATION, 1100, "4.29 ± 0.21 g rms"),
        (Reason.VIBRATION, -1, "no whole window of vibration in time"),
    ):
        watch = StandWatch.of(rig)
        for state in (Stand.LOCKED, Stand.ARMED):
            watch.asked.add(Happening.ARM)
            watch.follow(Heard(told=[slow(1.0, state)]))
        (trip, _) = watch.follow(Heard(told=[event(5.0, EventKind.TRIP, Stand.TRIPPED, reason, value)]))
        assert trip.detail == words


def test_a_lost_trip_message_is_made_good_by_the_slow_samples():
    watch = watch_of(Stand.LOCKED, Stand.ARMED, Stand.TURNING)
    events = watch.follow(Heard(told=[slow(5.0, Stand.TRIPPED, Reason.VIBRATION)]))
    assert [(item.kind, item.name) for item in events] == [("trip", "vibration"), ("state", "tripped")]


def test_the_first_reason_is_kept():
    watch = watch_of(Stand.LOCKED, Stand.ARMED)
    watch.follow(Heard(told=[event(5.0, EventKind.TRIP, Stand.TRIPPED, Reason.VIBRATION, 1100)]))
    watch.follow(Heard(told=[event(6.0, EventKind.TRIP, Stand.TRIPPED, Reason.OVERSPEED, 1)]))
    assert watch.reason == Reason.VIBRATION and watch.tripped_at_s == 5.0


def test_leaving_tripped_unasked_is_noticed():
    watch = watch_of(Stand.LOCKED, Stand.ARMED, Stand.TRIPPED)
    events = watch.follow(Heard(told=[slow(9.0, Stand.LOCKED)]))
    assert "unlawful change" in [item.name for item in events]


def test_turning_without_having_been_armed_is_noticed():
    watch = StandWatch()
    watch.follow(Heard(told=[slow(0.0, Stand.LOCKED)]))
    events = watch.follow(Heard(told=[slow(1.0, Stand.TURNING)]))
    assert [item.name for item in events] == ["turning", "unlawful change"]


def test_armed_to_locked_unasked_is_lawful_but_a_restart_is_a_trip():
    watch = watch_of(Stand.LOCKED, Stand.ARMED)
    events = watch.follow(Heard(restarts=1))
    assert [(item.kind, item.name) for item in events] == [("trip", "restart")]
    assert not watch.live


def test_a_restart_while_locked_is_only_noted():
    watch = watch_of(Stand.LOCKED)
    assert [item.kind for item in watch.follow(Heard(restarts=1))] == ["link"]
    assert watch.tripped_at_s is None


def test_a_trip_of_an_earlier_run_is_not_one_of_this():
    watch = StandWatch()
    events = watch.follow(Heard(told=[slow(0.0, Stand.TRIPPED, Reason.OPERATOR_ABORT)]))
    assert [(item.kind, item.name) for item in events] == [("state", "tripped")]
    assert watch.tripped_at_s is None and watch.reason == Reason.OPERATOR_ABORT


@pytest.mark.parametrize(("ticks", "throttle_us", "at_rest"), [(0, 1000, True), (20000, 1000, False), (0, 1100, False)])
def test_rest_needs_no_tach_and_a_safe_throttle(ticks, throttle_us, at_rest):
    watch = StandWatch()
    watch.follow(Heard(told=[slow(0.0, Stand.ARMED, period_ticks=ticks, throttle_us=throttle_us)]))
    assert watch.at_rest == at_rest


def test_a_state_that_does_not_exist_is_not_believed():
    watch = watch_of(Stand.LOCKED)
    events = watch.follow(Heard(told=[slow(1.0, 7)]))
    assert events[0].name == "unknown state" and watch.state is Stand.LOCKED


def test_reasons_in_words():
    assert reason_name(Reason.HEARTBEAT_LOST) == "heartbeat lost"
    assert reason_name(77) == "unknown reason 77"


def test_a_failed_cut_is_told_once_and_stays_until_the_reset():
    watch = watch_of(Stand.LOCKED, Stand.ARMED, Stand.TURNING)
    tripped = event(3.0, EventKind.TRIP, Stand.TRIPPED, Reason.OVERSPEED, 20_000)
    watch.follow(Heard(told=[tripped]))
    failed = event(6.0, EventKind.CUT_FAILED, Stand.TRIPPED, Reason.OVERSPEED, 24_000)
    (told,) = watch.follow(
        Heard(told=[failed, slow(6.1, Stand.TRIPPED, Reason.OVERSPEED, 24_000, 1000, Flag.CUT_FAILED)])
    )
    assert (told.name, told.detail) == (OPEN_ISOLATOR, "the rotor does not slow from 5000 rpm")
    assert watch.cut_failed and watch.reason == Reason.OVERSPEED  # the first reason is kept
    watch.follow(Heard(told=[slow(9.0, Stand.TRIPPED, Reason.OVERSPEED)]))
    assert not watch.cut_failed


def test_a_failed_cut_whose_event_was_lost_is_told_by_the_flag():
    watch = watch_of(Stand.LOCKED)
    events = watch.follow(Heard(told=[slow(2.0, Stand.TRIPPED, Reason.RESTART, flags=Flag.CUT_FAILED)]))
    assert OPEN_ISOLATOR in [told.name for told in events]
    assert watch.cut_failed


def test_every_reason_of_the_device_has_a_name_and_the_new_ones_a_hint():
    for reason in Reason:
        told = event(1.0, EventKind.TRIP, Stand.TRIPPED, reason, 7)
        events = watch_of(Stand.LOCKED, Stand.ARMED).follow(Heard(told=[told]))
        trip = next(found for found in events if found.kind in ("trip", "abort"))
        assert trip.name == reason_name(reason)
        assert bool(trip.detail) == (
            reason not in (Reason.NONE, Reason.OPERATOR_ABORT, Reason.HOST_RULE, Reason.RESTART)
        )
