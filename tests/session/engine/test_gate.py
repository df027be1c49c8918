"""The gate in the engine: nothing is armed with an uncleared blade set, nothing asks for more than it is permitted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from cleared_set import cleared

from whirlbench.log import State
from whirlbench.session.engine import Command, CommandKind, Ending, Phase

GOVERNED = """
[[step]]
kind = "hold"
request_rpm = 1800
pitch_deg = 8
duration_s = 30
"""
READY = lambda bench: bench.engine.phase is Phase.READY  # noqa: E731


def governed(rig_text):
    return rig_text.replace('mode = "pass_through"', 'mode = "throttle"\nkp_us_per_rpm = 0.02\nki_us_per_rpm_s = 0.03')


def quiet(_):
    return ()


@pytest.fixture
def barred(rig_text):
    """A clearance with one objection: the rig's limit is above what the set is permitted."""
    return replace(cleared(rig_text), permitted_rpm=4900.0)


def armed(bench):
    return [event for event in bench.events("state") if event.name == "armed"]


def test_without_a_clearance_nothing_is_armed(make_bench):
    bench = make_bench(clearance=None)
    outcome = bench.run(20.0)

    assert outcome.ending is Ending.REFUSED and "nobody has judged the fitted blade set" in outcome.reason
    assert not armed(bench)


def test_an_objection_refuses_arming_and_names_both_numbers(make_bench, barred):
    bench = make_bench(clearance=barred)
    outcome = bench.run(20.0)

    assert outcome.ending is Ending.REFUSED and "above the permitted 4900 rpm" in outcome.reason
    assert not armed(bench)


@pytest.mark.parametrize("state", [State.RETIRED, State.INSPECTION_DUE])
def test_a_set_that_its_log_bars_is_refused_by_an_open_session_too(make_bench, rig_text, state):
    known = cleared(rig_text)
    bench = make_bench(keep_open=True, clearance=replace(known, standing=replace(known.standing, state=state)))
    bench.run(20.0, lambda bench: bench.engine.message.startswith("not armed"))

    assert str(state) in bench.engine.message and bench.engine.phase is Phase.READY
    assert not armed(bench)


def test_the_recording_tells_the_set_its_permitted_speed_and_its_standing(bench):
    bench.run(5.0, READY)
    bench.step()
    (told,) = [event for event in bench.events("limit") if event.name == "gate"]

    assert "moulded" in told.detail and "permitted" in told.detail and "in service" in told.detail


@pytest.mark.parametrize(("typed", "reason"), [("printed", "proof"), ("moulded", " "), ("", "")])
def test_an_override_that_is_not_meant_does_not_count(make_bench, barred, typed, reason):
    bench = make_bench(keep_open=True, clearance=barred)
    bench.operator = quiet
    bench.run(5.0, READY)
    bench.step([Command(CommandKind.OVERRIDE, text=reason, blade_set=typed)])
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 1.0)

    assert any(event.name == "override refused" for event in bench.events("note"))
    assert not armed(bench)


def test_an_override_by_name_and_reason_arms_and_is_on_record(make_bench, barred):
    bench = make_bench(keep_open=True, clearance=barred)
    bench.operator = quiet
    bench.run(5.0, READY)
    bench.step([Command(CommandKind.OVERRIDE, text="proof of the root", operator="A. Tester", blade_set="moulded")])
    bench.step([Command(CommandKind.ARM)])
    bench.run(20.0, armed)
    (told,) = [event for event in bench.events("limit") if event.name == "gate overridden"]

    assert armed(bench) and "A. Tester" in told.detail and "proof of the root" in told.detail


def test_a_plan_above_the_permitted_speed_is_refused_whatever_the_overspeed_limit(make_bench, rig_text):
    text = governed(rig_text)
    bench = make_bench(GOVERNED, text, clearance=replace(cleared(text), permitted_rpm=1799.0))
    outcome = bench.run(20.0)

    assert "step 1 of the plan asks for 1800 rpm" in outcome.reason and not armed(bench)


def running_by_hand(make_bench, rig_text, clearance):
    bench = make_bench("", governed(rig_text), keep_open=True, clearance=clearance)
    bench.operator = quiet
    bench.run(5.0, READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(20.0, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_request_by_hand_above_the_permitted_speed_is_refused(make_bench, rig_text):
    bench = running_by_hand(make_bench, rig_text, cleared(rig_text))
    bench.engine.clearance = replace(bench.engine.clearance, permitted_rpm=3000.0)
    bench.step([Command(CommandKind.REQUEST, 3001.0)])
    assert "request_rpm 3001 is outside 0 to 3000" in bench.engine.message
    bench.step([Command(CommandKind.REQUEST, 3000.0)])
    assert bench.engine.set_points.request_rpm == 3000.0


def test_whatever_set_a_request_above_the_permitted_speed_the_power_is_cut(make_bench, rig_text):
    bench = running_by_hand(make_bench, rig_text, cleared(rig_text))
    bench.engine.clearance = replace(bench.engine.clearance, permitted_rpm=3000.0)
    bench.engine.set_points.request_rpm = 3100.0
    bench.run(bench.now_s + 3.0, lambda bench: bench.engine.watch.tripped_at_s is not None)

    assert bench.engine.watch.tripped_at_s is not None
    assert "3100 rpm is above the permitted 3000 rpm" in bench.engine._why()


def test_answers_and_notes_are_on_record_with_the_name_of_who_gave_them(bench):
    bench.step([
        Command(CommandKind.CONFIRM, text="12:00 isolator tried", operator="A. Tester"),
        Command(CommandKind.NOTE, text="wind from the left", operator="A. Tester"),
    ])  # fmt: skip
    told = [(event.name, event.detail) for event in bench.events("note")]

    assert ("check-list", "A. Tester: 12:00 isolator tried") in told
    assert ("note", "A. Tester: wind from the left") in told
