"""What nobody knows never reads as good: unknown state, blank readings, commands that are not offered."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event
from whirlbench.session.engine import CommandKind, Ending, Outcome, Progress
from whirlbench.window.stand_state.hearing import Heard
from whirlbench.window.stand_state.live_state import DOUBTED_BY, OLD_S, STATES, UNKNOWN, UNKNOWN_S, LiveState
from whirlbench.window.stand_state.trip_cause import TripCause

RIG = parse_rig(example_rig_text())
FRESH = Heard(0.01, True, "")
VALUES = {"rpm": 4455.0, "throttle_us": 1560.0, "current_a": 80.0, "voltage_v": 36.0, "thrust_n": 70.0}
COUNTERS = {"good": 100, "heartbeats": 9}


def live(phase: str = "running", state: str = "turning", heard: Heard = FRESH, **more: object) -> LiveState:
    values = {**VALUES, **more.pop("values", {})}
    outcome, cause = more.pop("outcome", None), more.pop("cause", TripCause())
    return LiveState(Progress(phase, state, values=values, counters=COUNTERS, **more), outcome, RIG, heard, cause)


def tripped_by(name: str, detail: str = "") -> TripCause:
    return TripCause().after([Event(4.0, "trip", name, detail)])


@pytest.mark.parametrize("state", [state for state in STATES if state != UNKNOWN])
def test_a_state_that_is_heard_is_shown(state: str) -> None:
    assert live(state=state).state() == live(state=state).headline() == state


UNHEARD = {
    "no device heard yet": live("connecting", "", Heard()),
    "device silent": live(heard=Heard(UNKNOWN_S + 0.01, True, "")),
    "session dead": live(heard=Heard(OLD_S + 0.01, False, "")),
    "session ended": live(outcome=Outcome(Ending.DONE)),
    "link lost": live(outcome=Outcome(Ending.LINK_LOST, "nothing heard")),
    "a state that is none": live(state="spinning"),
}


@pytest.mark.parametrize("case", UNHEARD)
def test_what_nobody_hears_is_unknown_and_says_to_open_the_isolator(case: str) -> None:
    found = UNHEARD[case]
    assert found.state() == UNKNOWN
    assert found.headline() == "unknown: open the isolator"
    assert all(math.isnan(value) for value in found.readings().values())
    assert all(math.isnan(margin.share) for margin in found.margins())
    assert found.device_limits() == {}
    assert not found.may(CommandKind.THROTTLE) and not found.may(CommandKind.PITCH)


def test_a_cut_that_nobody_can_send_is_not_offered() -> None:
    assert UNHEARD["device silent"].may(CommandKind.ABORT)  # it may yet arrive
    assert not UNHEARD["session dead"].may(CommandKind.ABORT)
    assert not UNHEARD["session ended"].may(CommandKind.ABORT)


def test_the_remark_keeps_what_was_heard_last() -> None:
    told = UNHEARD["session dead"].remark()
    assert "process has died" in told and "last heard: turning, 4455 rpm" in told
    assert "no device has been heard yet" in UNHEARD["no device heard yet"].remark()


def test_nothing_received_is_not_no_losses() -> None:
    assert (
        replace(UNHEARD["no device heard yet"], progress=Progress("connecting", "")).losses() == "nothing received yet"
    )
    assert live().losses() == "no losses"


def test_old_data_says_so_before_it_is_unknown() -> None:
    old = live(heard=Heard(OLD_S + 0.2, True, ""))
    assert old.state() == "turning" and "data 0.5 s old" in old.remark()
    assert live(heard=Heard(OLD_S, True, "")).age() == ""


def test_a_failed_cut_is_the_headline() -> None:
    failed = live("coasting down", "tripped", reason="CUT FAILED: OPEN THE ISOLATOR; overspeed")
    assert failed.headline() == "cut failed: open the isolator" and "now 4455 rpm" in failed.remark()


def test_a_driven_motor_without_a_speed_shows_none() -> None:
    standing = live(values={"rpm": 0.0})
    assert math.isnan(standing.readings()["rpm"])
    overspeed = next(margin for margin in standing.margins() if margin.key == "overspeed_rpm")
    assert math.isnan(overspeed.share)
    assert live(values={"rpm": 0.0, "throttle_us": RIG.throttle.safe_us}).readings()["rpm"] == 0.0
    assert live("ready", "locked", values={"rpm": 0.0, "throttle_us": 1000.0}).readings()["rpm"] == 0.0


@pytest.mark.parametrize("name", DOUBTED_BY)
def test_a_sensor_that_tripped_the_stand_is_not_believed_until_it_is_armed_again(name: str) -> None:
    channel, values = DOUBTED_BY[name], {"vibration_g_rms": 1.0, "pitch_deg": 8.0, "rpm": 0.0, "throttle_us": 1000.0}
    cause = tripped_by(name)
    assert math.isnan(live("tripped", "tripped", values=values, cause=cause).readings()[channel])
    assert math.isnan(live("ready", "locked", values=values, cause=cause).readings()[channel])
    again = cause.after([Event(9.0, "state", "armed", "")])
    assert not math.isnan(live("running", "armed", values=values, cause=again).readings()[channel])


def test_the_cause_of_a_trip_stays_with_what_the_computer_knew() -> None:
    events = [
        Event(3.2, "state", "armed", ""),
        Event(4.1, "trip", "heartbeat lost", "host silent for 104 ms"),
        Event(4.1, "link", "heartbeat late", "late: the port by 96 ms"),
        Event(4.2, "state", "tripped", ""),
        Event(9.0, "state", "locked", ""),
        Event(9.1, "limit", "agreed", "checksum 00"),
    ]
    told = live("ready", "locked", cause=TripCause().after(events), message="").remark()
    assert "trip at 4.100 s: heartbeat lost (host silent for 104 ms)" in told
    assert "late: the port by 96 ms" in told and "checksum" not in told


def test_a_message_that_the_cause_holds_is_not_told_again_and_another_one_is() -> None:
    events = [
        Event(4.1, "trip", "heartbeat lost", "host silent for 104 ms"),
        Event(4.1, "link", "heartbeat late", "late: the port by 96 ms"),
    ]
    tripped = live("tripped", "tripped", cause=TripCause().after(events), message="late: the port by 96 ms")
    assert tripped.remark().count("late: the port by 96 ms") == 1
    refused = replace(tripped, progress=replace(tripped.progress, message="the shaft still turns"))
    assert refused.remark().endswith("the shaft still turns")


def test_levers_are_a_plans_while_one_runs() -> None:
    assert live().may(CommandKind.THROTTLE)
    assert not live(step=2, steps=5).may(CommandKind.THROTTLE)
    assert not live(step=2, steps=5).may(CommandKind.PITCH)
    assert live(step=2, steps=5).may(CommandKind.ABORT) and live(step=2, steps=5).may(CommandKind.DISARM)


def test_nothing_is_armed_while_no_heartbeat_leaves() -> None:
    ready = live("ready", "locked")
    held_back = replace(ready, heard=replace(FRESH, no_heartbeat="telemetry is 0.30 s late"))
    assert ready.may(CommandKind.ARM)
    assert not held_back.may(CommandKind.ARM)
    assert "no heartbeat leaves: telemetry is 0.30 s late" in held_back.remark()


def test_a_pack_that_is_not_driven_has_no_least_voltage() -> None:
    idle = live("ready", "locked", values={"voltage_v": 0.2, "throttle_us": RIG.throttle.safe_us, "rpm": 0.0})
    assert "minimum_voltage_v" not in {margin.key for margin in idle.margins()}
    assert "minimum_voltage_v" in {margin.key for margin in live().margins()}


def test_a_trend_that_is_not_judged_is_no_margin() -> None:
    assert not [margin for margin in live(values={"hunting_pct": math.nan}).margins() if margin.key == "hunting_pct"]
    assert [margin for margin in live(values={"hunting_pct": 4.0}).margins() if margin.key == "hunting_pct"]


def test_the_devices_limits_are_those_it_read_back() -> None:
    held = {"OVERSPEED_TICKS": 20_000, "VIBRATION_COUNTS": 1000, "VOLTAGE_COUNTS": 0}
    assert live(held=held).device_limits() == pytest.approx({"overspeed_rpm": 6000.0, "vibration_g_rms": 3.9})
