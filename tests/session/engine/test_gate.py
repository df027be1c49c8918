"""The gate in the engine, and the check-list before it: no uncleared set is armed with, no request goes beyond it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from cleared_set import cleared

from whirlbench.log import Proof, State, TripTrial, protection
from whirlbench.log.proofs import standing_of_proofs
from whirlbench.rig.description import with_limits
from whirlbench.rig.device_slots import slot_values
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Command, CommandKind, Ending, Phase, check_list

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


def refused_to_arm(bench):
    """Asks to arm in an open session and gives the reason of the refusal; empty when there was none."""
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 0.01)
    told = [event.detail for event in bench.events("link") if event.name == "not armed"]
    bench.records.clear()
    return told[-1] if told else ""


@pytest.fixture
def ready(make_bench, barred):
    """An open session with the barred set, ready to be armed by hand."""
    bench = make_bench(keep_open=True, clearance=barred)
    bench.operator = quiet
    bench.run(5.0, READY)
    return bench


def test_a_set_that_its_log_bars_is_refused_by_an_open_session_too(ready, rig_text):
    known = cleared(rig_text)
    for state in (State.RETIRED, State.INSPECTION_DUE):
        ready.engine.clearance = replace(known, standing=replace(known.standing, state=state))
        assert str(state) in refused_to_arm(ready) and ready.engine.phase is Phase.READY


def test_the_recording_tells_the_set_its_permitted_speed_and_its_standing(bench):
    bench.run(5.0, READY)
    bench.step()
    (told,) = [event for event in bench.events("limit") if event.name == "gate"]

    assert "moulded" in told.detail and "permitted" in told.detail and "in service" in told.detail


def test_an_override_that_is_not_meant_does_not_count(ready):
    for typed, reason in (("printed", "proof"), ("moulded", " "), ("", "")):
        ready.step([Command(CommandKind.OVERRIDE, text=reason, blade_set=typed)])
        assert any(event.name == "override refused" for event in ready.events("note"))
        assert "above the permitted 4900 rpm" in refused_to_arm(ready)


def test_an_override_by_name_and_reason_arms_and_is_on_record(ready):
    ready.step([Command(CommandKind.OVERRIDE, text="proof of the root", operator="A. Tester", blade_set="moulded")])
    ready.step([Command(CommandKind.ARM)])
    ready.run(20.0, armed)
    (told,) = [event for event in ready.events("limit") if event.name == "gate overridden"]

    assert armed(ready) and "A. Tester" in told.detail and "proof of the root" in told.detail


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


def test_a_pulse_that_asks_a_governing_speed_controller_for_too_much_is_refused(make_bench, rig_text):
    governs = rig_text.replace("governs = false", "governs = true")
    bench = make_bench("", governs, keep_open=True, clearance=replace(cleared(governs), permitted_rpm=3000.0))
    bench.engine.phase = Phase.RUNNING
    bench.engine._obey([Command(CommandKind.THROTTLE, 1400.0)])
    assert "request_rpm of this pulse 3187.5 is outside 0 to 3000" in bench.engine.message
    bench.engine._obey([Command(CommandKind.THROTTLE, 1360.0)])
    assert bench.engine.set_points.throttle_us == 1360.0


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


def test_the_rig_s_own_words_and_words_for_what_it_does_not_say():
    rig = parse_rig(example_rig_text())
    text = "\n".join(check_list(rig))
    assert rig.stand.isolator and rig.stand.isolator in text
    bare = parse_rig(example_rig_text().replace(rig.stand.isolator, "").replace(rig.stand.guard, ""))
    assert any(line.endswith("tried: the isolating switch.") for line in check_list(bare))
    assert any(line.endswith("sound: the guard.") for line in check_list(bare))
    assert "plane of rotation" in text and "local codes" in text and "not a licence" in text


def test_identity_torque_second_cut_proof_and_own_lines():
    text = example_rig_text().replace("[stand]\n", '[stand]\nsecond_cut = "contactor"\ncheck_list = ["Dog indoors."]\n')
    rig = parse_rig(text.replace("[propeller]\n", "[propeller]\nfastener_torque_n_m = 2.5\n"))
    lines = check_list(rig)

    assert "never proved: run `whirlbench trial`" in lines[0]
    assert "moulded" in lines[1] and "2.5 N m" in lines[2] and lines[-1] == "Dog indoors."
    assert any("Second cut tried" in line and line.endswith("contactor.") for line in lines)


@pytest.mark.parametrize(
    ("trials", "changed", "first"),
    [
        ([TripTrial("overspeed", "a card", True)], False, "trips last proved 2026-05-01 10:00 UTC"),
        ([TripTrial("overspeed", "a card", False)], False, "Caution: the trip overspeed did not come"),
        ([TripTrial("overspeed", "a card", None)], False, "Caution: the trip overspeed was not tried"),
        (
            [TripTrial("overspeed", "a card", True)],
            True,
            "Caution: limits.overspeed_rpm was 5000, is 6000: never proved",
        ),
    ],
)
def test_the_check_list_begins_with_what_is_not_proved_of_the_trips(trials, changed, first):
    rig = parse_rig(example_rig_text())
    protected = protection(with_limits(rig, overspeed_rpm=5000.0) if changed else rig)
    proof = Proof(rig.name, "board", protected, tuple(trials), at="2026-05-01T10:00:00+00:00")

    assert check_list(rig, standing_of_proofs([proof], rig))[0].startswith(first)


def test_a_surface_is_shown_the_limits_that_the_device_read_back(make_bench, rig_text):
    bench = make_bench(clearance=cleared(rig_text), keep_open=True)
    assert bench.engine.progress().held == {}
    bench.run(20.0, READY)
    held = bench.engine.progress().held

    assert held == {name: value.counts for name, value in slot_values(bench.engine.rig).items()} | {
        name: 0 for name in held.keys() - slot_values(bench.engine.rig).keys()
    }
