"""Whole sessions on the simulated stand: how they run, and every way they may end."""

import re

import msgspec
import numpy as np
import pytest

from whirlbench.errors import PlanError, RigError
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Abort, Hello, Limits, State
from whirlbench.rig.toml import example_rig_text
from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, Phase, TachRecord, VibrationRecord
from whirlbench.session.engine.agreement import scale_objection
from whirlbench.simulator.device.simulated_port import simulated_device
from whirlbench.simulator.stand import LostTach, Runaway, SupplyDip

LONG_HOLD = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 90'
PLAN_SLOW = LONG_HOLD.replace("90", "1")
HEARTBEAT_S, SURFACE_S = 0.1, 0.3  # limits of the example rig


def trip_of(bench):
    """The one trip or abort event of a run."""
    (trip,) = bench.events("trip") + bench.events("abort")
    return trip


def assert_coast_down_recorded(bench, trip):
    """From the trip to rest, without a gap."""
    times_s, rpm = bench.times_s(), bench.channel("rpm")
    after = times_s >= trip.time_s
    assert rpm[after][0] > 300
    assert rpm[-1] == 0
    assert np.diff(times_s[after]).max() < 0.05
    assert (bench.channel("throttle_us")[times_s > trip.time_s + 0.01] == 1000).all()


def test_a_plan_is_run_from_locked_to_locked(bench):
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.DONE, 0)
    states = [event.name for event in bench.events("state")]
    assert states == ["locked", "armed", "turning", "armed", "locked"]
    plan = [event.name for event in bench.events("plan")]
    assert plan == ["step 1 start", "step 1 end", "step 2 start", "step 2 end"]
    assert bench.events("limit")[0].name == "agreed"


def test_the_same_seed_gives_the_same_run(make_bench):
    first, second = make_bench(seed=5), make_bench(seed=5)
    first.run()
    second.run()
    assert first.events() == second.events()
    for name in ("rpm", "thrust_n", "current_a"):
        assert np.array_equal(first.channel(name), second.channel(name))


def test_nothing_is_armed_before_limits_are_agreed(bench):
    seen = []

    def watch(now_s, data):
        seen.extend((type(message).__name__, bench.engine.phase) for message in commands.feed(data))
        return data

    commands = Unframer()
    bench.to_device = watch
    bench.run()
    arm = next(index for index, item in enumerate(seen) if item[0] == "Arm")
    read = next(index for index, item in enumerate(seen) if item[0] == "ReadLimits")
    assert [item[0] for item in seen[:read]].count("SetLimit") == len(LimitId)
    assert read < arm
    assert "Throttle" not in [item[0] for item in seen[:arm]]


def test_device_trip_on_overspeed(make_bench, rig_text):
    slower = rig_text.replace("overspeed_rpm = 6000", "overspeed_rpm = 1500")
    bench = make_bench(LONG_HOLD, faults=(Runaway(2.0),), rig_text=slower)
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status, outcome.reason) == (Ending.TRIPPED, 3, "overspeed")
    trip = trip_of(bench)
    assert trip.name == "overspeed"
    assert float(trip.detail.split()[0]) > 1500
    assert_coast_down_recorded(bench, trip)


def test_operator_abort_is_recorded_to_rest(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    long_bench.step([Command(CommandKind.ABORT)])
    outcome = long_bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.ABORTED, 3)
    assert_coast_down_recorded(long_bench, trip_of(long_bench))


def test_abort_overtakes_orders_that_came_with_it(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    long_bench.step([Command(CommandKind.NOTE, text="smell of hot paint"), Command(CommandKind.ABORT)])
    assert long_bench.run().ending == Ending.ABORTED
    assert any(event.name == "note" for event in long_bench.events("note"))


def test_an_abort_that_is_lost_on_its_way_still_cuts_the_power(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    deaf = Unframer()

    def without_abort(now_s, data):
        return b"".join(frame(message, 0) for message in deaf.feed(data) if not isinstance(message, Abort))

    long_bench.to_device = without_abort
    commanded_s = long_bench.now_s
    long_bench.step([Command(CommandKind.ABORT)])
    outcome = long_bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert trip_of(long_bench).name == "heartbeat lost"
    assert trip_of(long_bench).time_s - commanded_s <= HEARTBEAT_S + 0.01


def test_an_abort_during_an_inspection_ends_the_session(make_bench):
    bench = make_bench('[[step]]\nkind = "inspect"')
    willing = bench.operator
    bench.operator = lambda progress: () if progress.waits else willing(progress)
    bench.run(stop=lambda bench: bench.engine.progress().waits)
    assert bench.step([Command(CommandKind.ABORT)]).ending == Ending.ABORTED


def test_an_abort_before_arming_ends_the_session(bench):
    bench.operator = lambda progress: ()
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    outcome = bench.step([Command(CommandKind.ABORT)])
    assert (outcome.ending, outcome.exit_status) == (Ending.ABORTED, 3)


def test_a_silent_surface_ends_in_a_heartbeat_trip(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    died_s = long_bench.now_s
    long_bench.surface_age_s = lambda now_s: now_s - died_s
    outcome = long_bench.run()
    trip = trip_of(long_bench)
    assert trip.name == "heartbeat lost"
    assert outcome.ending == Ending.TRIPPED
    assert SURFACE_S < trip.time_s - died_s <= SURFACE_S + HEARTBEAT_S + 0.01
    assert_coast_down_recorded(long_bench, trip)


def test_a_short_silence_of_the_surface_is_forgiven(make_bench):
    bench = make_bench()
    bench.surface_age_s = lambda now_s: 0.2
    assert bench.run().ending == Ending.DONE


def test_lost_telemetry_stops_the_heartbeat(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    cut_s = long_bench.now_s
    long_bench.to_host = lambda now_s, data: b""
    long_bench.run(stop=lambda bench: bench.device.machine.state == State.TRIPPED)
    assert long_bench.now_s - cut_s <= HEARTBEAT_S * 1.25 + 0.01  # one heartbeat may still have been due
    outcome = long_bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.LINK_LOST, 3)
    assert "nothing heard from the device" in outcome.reason
    assert "\n" not in outcome.reason


def test_late_telemetry_stops_the_heartbeat(long_bench):
    """Every byte arrives, but later and later: a backlog must not pass for news."""
    waiting = []

    def delayed(now_s, data):
        waiting.append((now_s + min(0.2, 0.5 * max(0.0, now_s - begins_s)), data))
        due = [item for at_s, item in waiting if at_s <= now_s]
        del waiting[: len(due)]
        return b"".join(due)

    long_bench.run(stop=lambda bench: bench.turning())
    begins_s = long_bench.now_s
    long_bench.to_host = delayed
    assert long_bench.run().ending == Ending.TRIPPED
    assert trip_of(long_bench).name == "heartbeat lost"
    assert trip_of(long_bench).time_s - begins_s < 0.5


@pytest.mark.parametrize("rate", [0.5, 0.97])
def test_a_device_with_a_slow_clock_is_not_taken_for_late(make_bench, rate):
    bench = make_bench(PLAN_SLOW)
    exchange = bench.device.exchange
    bench.device.exchange = lambda now_s, data: exchange(now_s * rate, data)
    assert bench.run(until_s=60).ending == Ending.DONE


def test_a_host_rule_aborts(make_bench, rig_text):
    bench = make_bench(rig_text=rig_text.replace("thrust_n = 135.0", "thrust_n = 0.4"))
    outcome = bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert outcome.reason.startswith("host rule; thrust_n")
    limit = next(event for event in bench.events("limit") if event.name == "thrust_n")
    assert trip_of(bench).name == "host rule"
    assert trip_of(bench).time_s - limit.time_s <= 0.01


def test_the_devices_clock_begins_anew_while_it_turns(make_bench):
    """After 71.6 minutes its 32 bits of microseconds are used up."""
    bench = make_bench('[[step]]\nkind = "hold"\nthrottle_us = 1250\npitch_deg = 8\nduration_s = 3\n')
    bench.device = simulated_device(example_rig_text(), 1, clock_us=(1 << 32) - 2_000_000)
    assert bench.run().ending is Ending.DONE
    times_s = bench.times_s()
    assert (times_s[0], np.diff(times_s).max()) == pytest.approx((0.0, 0.002)) and times_s[-1] > 3.0
    shaken = [record for record in bench.records if isinstance(record, VibrationRecord)]
    assert np.diff([record.first_time_s for record in shaken]) == pytest.approx(0.01)
    edges_s = np.concatenate([record.time_s for record in bench.records if isinstance(record, TachRecord)])
    near = edges_s[np.abs(edges_s - 2.0) < 0.5]
    assert len(near) > 4 and np.diff(near).max() < 1.3 * np.diff(near).min()
    assert bench.engine.counters()["lost"] + bench.engine.counters()["stale"] == 0


def test_lost_tach_is_a_rule_of_the_device(make_bench):
    # rest is known no sooner than in a rig for hardware: with less than lost_tach_ms the silence would be one of rest
    bench = make_bench(LONG_HOLD, example_rig_text(), faults=(LostTach(2.5),))
    outcome = bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert outcome.reason.split("; ")[0] == "lost tach"  # the device's own; the host may see it in the same moment
    trip = trip_of(bench)
    edges_s = np.concatenate([record.time_s for record in bench.records if isinstance(record, TachRecord)])
    assert trip.time_s == pytest.approx(edges_s[edges_s < trip.time_s][-1] + 0.4, abs=0.005)
    assert trip.detail.startswith("no edge for 40")


def test_lost_tach_is_a_host_rule(make_bench):
    """Where the device does not watch it."""
    bench = make_bench(LONG_HOLD, faults=(LostTach(2.5),))
    bench.run(stop=lambda bench: bench.turning())
    bench.device.machine.lost_tach.lost_ms = 0
    outcome = bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert "lost_tach_ms" in outcome.reason
    assert trip_of(bench).time_s == pytest.approx(2.5 + 0.4, abs=0.15)


def test_a_restart_of_the_device_is_a_trip(make_bench):
    bench = make_bench(LONG_HOLD, faults=(SupplyDip(3.0),))
    outcome = bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert outcome.reason.startswith("restart")
    assert trip_of(bench).name == "restart"
    assert bench.device.machine.state == State.TRIPPED
    assert (np.diff(bench.times_s()) > 0).all()


def test_a_plan_stops_above_its_margin(make_bench):
    bench = make_bench("stop_above_margin_pct = 8\n" + LONG_HOLD)
    outcome = bench.run()
    assert outcome.ending == Ending.TRIPPED
    assert re.search(r"plan stopped in step 1: .* uses \d+% of its limit .*, more than 8%", outcome.reason)


def test_another_protocol_version_is_refused_by_name(bench):
    def altered(now_s, data):
        messages = [
            msgspec.structs.replace(message, protocol=9) if isinstance(message, Hello) else message
            for message in telemetry.feed(data)
        ]
        return b"".join(frame(message, 0) for message in messages)

    telemetry = Unframer()
    bench.to_host = altered
    outcome = bench.run()
    assert outcome.exit_status == 2
    assert "version 9" in outcome.reason and "version 2" in outcome.reason


@pytest.mark.parametrize(
    ("told_ug", "fits"), [(3906, True), (3900 * 0.91, True), (3900 * 1.11, False), (980, False), (0, False)]
)
def test_an_accelerometer_of_another_scale_is_refused_before_arming(told_ug, fits):
    hello = Hello(*[0] * len(Hello.__struct_fields__))
    objection = scale_objection(msgspec.structs.replace(hello, accelerometer_ug_per_count=told_ug), 0.0039)
    assert (objection == "") is fits
    assert scale_objection(None, 0.0039) != ""


def test_a_session_with_another_accelerometer_never_arms(bench):
    def altered(now_s, data):
        messages = [
            msgspec.structs.replace(message, accelerometer_ug_per_count=980) if isinstance(message, Hello) else message
            for message in telemetry.feed(data)
        ]
        return b"".join(frame(message, 0) for message in messages)

    telemetry = Unframer()
    bench.to_host = altered
    outcome = bench.run()
    assert outcome.exit_status == 2
    assert "0.00098 g a count" in outcome.reason and "vibration.g_per_count" in outcome.reason


def test_a_device_that_holds_other_limits_is_refused(bench):
    def altered(now_s, data):
        messages = [
            msgspec.structs.replace(message, values=(*message.values[:-1], message.values[-1] + 1))
            if isinstance(message, Limits)
            else message
            for message in telemetry.feed(data)
        ]
        return b"".join(frame(message, 0) for message in messages)

    telemetry = Unframer()
    bench.to_host = altered
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.REFUSED, 2)
    assert tuple(LimitId)[-1].name in outcome.reason
    assert bench.device.machine.state == State.LOCKED


def test_a_device_tripped_earlier_is_refused_unless_reset(make_bench):
    first = make_bench(LONG_HOLD)
    first.run(stop=lambda bench: bench.turning())
    first.step([Command(CommandKind.ABORT)])
    first.run()
    second = make_bench()
    second.device, second.now_s = first.device, first.now_s
    outcome = second.run(until_s=first.now_s + 20)
    assert outcome.ending == Ending.REFUSED
    assert "operator abort" in outcome.reason
    third = make_bench(reset_first=True)
    third.device, third.now_s = first.device, second.now_s
    assert third.run(until_s=second.now_s + 60).ending == Ending.DONE


def test_an_open_session_trips_resets_and_runs_again(make_bench):
    bench = make_bench(LONG_HOLD, keep_open=True)
    bench.run(stop=lambda bench: bench.turning())
    bench.step([Command(CommandKind.ABORT)])
    bench.run(stop=lambda bench: bench.engine.phase is Phase.TRIPPED)
    bench.step([Command(CommandKind.RESET)])
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(stop=lambda bench: bench.engine.phase is Phase.RUNNING)
    assert bench.engine.progress().reason == ""
    bench.step([Command(CommandKind.FINISH)])
    assert bench.run().ending == Ending.DONE


def test_an_inspection_locks_the_stand_until_the_word(make_bench):
    text = LONG_HOLD.replace("90", "0.3") + '\n[[step]]\nkind = "inspect"\nnote = "roots"\n'
    bench = make_bench(text + LONG_HOLD.replace("90", "0.3"))
    willing = bench.operator
    bench.operator = lambda progress: () if progress.waits else willing(progress)
    bench.run(stop=lambda bench: bench.engine.progress().waits)
    assert bench.device.machine.state == State.LOCKED
    bench.run(until_s=bench.now_s + 1.0)
    assert bench.device.machine.state == State.LOCKED
    bench.step([Command(CommandKind.CONTINUE)])
    assert bench.run().ending == Ending.DONE
    states = [event.name for event in bench.events("state")]
    assert states == ["locked", "armed", "turning", "armed", "locked", "armed", "turning", "locked"]
    assert not [event for event in bench.events("link") if event.name == "unlawful change"]


def test_levers_by_hand(make_bench):
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.THROTTLE, 1200)])
    assert "only while armed" in bench.engine.message
    bench.step([Command(CommandKind.ARM)])
    bench.run(stop=lambda bench: bench.engine.phase is Phase.RUNNING)
    bench.step([Command(CommandKind.THROTTLE, 1160), Command(CommandKind.PITCH, 8.0)])
    bench.run(stop=lambda bench: bench.turning())
    bench.step([Command(CommandKind.THROTTLE, 9000)])
    assert "outside 1000 to 1900" in bench.engine.message
    bench.step([Command(CommandKind.DISARM)])
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    assert bench.channel("throttle_us").max() == 1160
    assert bench.channel("servo_us")[-1] == 1400  # 8 degrees in the example's pitch table
    bench.step([Command(CommandKind.FINISH)])
    assert bench.run().ending == Ending.DONE


def test_orders_out_of_place_are_refused_with_a_reason(make_bench):
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    for kind in (CommandKind.START, CommandKind.CONTINUE, CommandKind.DISARM, CommandKind.RESET):
        bench.step([Command(kind)])
        assert bench.engine.message.startswith(f"{kind}: ")
    bench.step([Command(CommandKind.GOVERNOR, 1.0, "no_such_key")])
    assert "no_such_key" in bench.engine.message


@pytest.mark.parametrize("size", [1, 7])
def test_chunk_size_of_the_port_changes_no_event(make_bench, size):
    bench = make_bench(LONG_HOLD.replace("90", "0.2"))
    reference = make_bench(LONG_HOLD.replace("90", "0.2"))
    while reference.now_s < 2.0:
        reference.step()
    while bench.now_s < 2.0:
        bench.now_s += bench.step_s
        data = bench.device.exchange(bench.now_s, bench._pending)
        pieces = [data[at : at + size] for at in range(0, len(data), size)] or [b""]
        sent = b""
        for piece in pieces:
            given = bench.operator(bench.engine.progress()) if piece is pieces[-1] else ()
            actions = bench.engine.step(bench.now_s, piece, given)
            sent += actions.to_device
            bench.records += actions.records
        bench._pending = sent
    assert np.array_equal(bench.times_s(), reference.times_s())
    assert [event[1:] for event in bench.events()] == [event[1:] for event in reference.events()]
    times_s = [[event.time_s for event in each.events()] for each in (bench, reference)]
    assert times_s[0] == pytest.approx(times_s[1], abs=0.025)  # a command may fall into the next set-point turn


def test_noise_alone_ends_in_one_clear_line(make_bench):
    rng = np.random.default_rng(3)
    bench = make_bench()
    bench.to_host = lambda now_s, data: rng.bytes(100)  # 50 kB/s: a full line
    outcome = bench.run(until_s=60.0)
    assert outcome.exit_status == 2
    assert "no good frame" in outcome.reason
    assert "\n" not in outcome.reason
    assert not bench.events("state")


def test_a_minute_of_noise_in_mid_run_loses_nothing_recorded_before(long_bench):
    rng = np.random.default_rng(4)
    long_bench.run(stop=lambda bench: bench.turning())
    began_s = long_bench.now_s
    long_bench.to_host = lambda now_s, data: rng.bytes(100) if now_s < began_s + 60 else data
    outcome = long_bench.run(until_s=began_s + 60)
    assert outcome.exit_status == 3
    assert long_bench.device.machine.state == State.TRIPPED
    assert long_bench.times_s()[-1] == pytest.approx(began_s, abs=0.02)
    assert long_bench.engine.counters()["noise_bytes"] > 0


def test_damaged_frames_are_counted_and_survived(make_bench):
    """One byte in 3000 is flipped, both ways: slower answers, no wrong value, no trip."""
    rng = np.random.default_rng(5)

    def flip(now_s, data):
        damaged = bytearray(data)
        for place in np.flatnonzero(rng.random(len(data)) < 1 / 3000):
            damaged[place] ^= 1 << int(rng.integers(8))
        return bytes(damaged)

    bench = make_bench(LONG_HOLD.replace("90", "3"))
    bench.to_host = bench.to_device = flip
    assert bench.run().ending == Ending.DONE
    counters = bench.engine.counters()
    assert counters["bad"] > 5 and counters["lost"] > 5
    assert set(np.unique(bench.channel("throttle_us"))) <= {0, *range(1000, 1161)}  # 0: before its safe pulse was set


def test_a_vanished_port_ends_the_session_with_its_own_line(long_bench):
    long_bench.run(stop=lambda bench: bench.turning())
    actions = long_bench.engine.lose_link(long_bench.now_s, "/dev/ttyACM0: the port vanished")
    assert actions.outcome.ending == Ending.LINK_LOST
    assert actions.outcome.reason == "/dev/ttyACM0: the port vanished"
    assert [event.name for event in actions.records] == ["lost"]
    assert long_bench.engine.step(long_bench.now_s + 1, b"").outcome == actions.outcome


def test_a_port_that_vanishes_before_the_device_said_who_it_is_is_no_lost_link(bench):
    outcome = bench.engine.lose_link(0.1, "/dev/ttyACM0: the port vanished").outcome
    assert (outcome.ending, outcome.exit_status) == (Ending.REFUSED, 2)


def test_a_port_where_nobody_answers_is_no_lost_link(bench):
    bench.to_host = lambda now_s, data: b""
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.REFUSED, 2)
    assert "no device identified itself" in outcome.reason


def test_a_link_is_lost_also_while_the_stand_is_locked(bench):
    bench.operator = lambda progress: ()
    bench.run(stop=lambda bench: bench.engine.phase is Phase.READY)
    bench.to_host = lambda now_s, data: b""
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.LINK_LOST, 3)


def test_a_trip_stays_one_when_the_link_is_lost_after_it(make_bench):
    bench = make_bench(keep_open=True)
    bench.run(stop=lambda bench: bench.turning())
    bench.surface_age_s = lambda now_s: 9.0
    bench.run(stop=lambda bench: bench.engine.phase is Phase.TRIPPED)
    bench.to_device = lambda now_s, data: b""  # telemetry still comes
    bench.step([Command(CommandKind.RESET)])
    outcome = bench.run()
    assert (outcome.ending, outcome.exit_status) == (Ending.TRIPPED, 3)
    assert outcome.reason.startswith("heartbeat lost; ") and "Throttle" in outcome.reason


def test_what_is_noted_between_steps_is_recorded_with_the_next(bench):
    bench.engine.note("note", "no priority", "why")
    bench.step()
    assert [(event.name, event.detail) for event in bench.events("note")] == [("no priority", "why")]


def test_a_rig_that_cannot_be_armed_is_refused_at_once(make_bench, rig_text):
    with pytest.raises(RigError, match=r"limits\.overspeed_rpm"):
        make_bench(rig_text=rig_text.replace("overspeed_rpm = 6000", ""))
    with pytest.raises(RigError, match=r"calibration\.current_a"):
        make_bench(rig_text=re.sub(r"(?s)\[calibration\.current_a\].*?(?=\n\[)", "", rig_text))
    with pytest.raises(PlanError, match=r"step 1 \(hold\): throttle pulse 2100"):
        make_bench(LONG_HOLD.replace("1160", "2100"))


def test_governor_parameters_are_loaded_before_arming(make_bench, rig_text):
    text = rig_text.replace('mode = "pass_through"', 'mode = "throttle"\nkp_us_per_rpm = 0.05\nki_us_per_rpm_s = 0.1')
    plan = '[[step]]\nkind = "hold"\nrequest_rpm = 900\npitch_deg = 8\nduration_s = 6'
    plan += '\n[[step]]\nkind = "coast-down"\n' + plan.replace("900", "700")
    bench = make_bench(plan, rig_text=text)
    assert bench.run().ending == Ending.DONE
    for request_rpm in (900, 700):
        held = bench.channel("speed_request_rpm") == request_rpm
        assert bench.channel("rpm")[held][-500:] == pytest.approx(request_rpm, abs=30)
    ended = {event.name: event.time_s for event in bench.events("plan")}
    at_rest = np.searchsorted(bench.times_s(), ended["step 2 end"]) - 1
    assert bench.channel("rpm")[at_rest] == 0


def test_every_ending_has_its_exit_status():
    assert {ending: Outcome(ending).exit_status for ending in Ending} == {
        Ending.DONE: 0, Ending.FAILED: 1, Ending.REFUSED: 2, Ending.LINK_LOST: 3, Ending.TRIPPED: 3, Ending.ABORTED: 3,
    }  # fmt: skip
