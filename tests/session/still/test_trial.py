"""The trial of the trips: what comes is proved by the device's own word, what does not is a failure."""

from __future__ import annotations

from dataclasses import replace

import pytest
from still_runs import RIG_TEXT, still_run

from whirlbench.link.messages import Reason
from whirlbench.results.stand import proved, trial_answer
from whirlbench.rig.toml import example_rig_text
from whirlbench.safety.device_rules import HeartbeatRule
from whirlbench.session.still import PROVOCATIONS, TripsTrial, arm, pause
from whirlbench.session.still.trips_on_trial import unwatched

BY_NAME = {provocation.trip: replace(provocation, wait_s=1.0) for provocation in PROVOCATIONS}


def tried(run, name):
    trial, provocation = TripsTrial(run.stand), BY_NAME[name]
    run.loop.run(trial.prepare(provocation))
    run.loop.run(trial.provoke(provocation))
    return trial


def test_a_trip_that_the_device_swallows_did_not_come():
    run = still_run()
    own = run.port.device.machine.trip
    run.port.device.machine.trip = lambda reason, *rest: None if reason == Reason.OVER_CURRENT else own(reason, *rest)

    proof = tried(run, "over current").proof("A. Builder", "", True)

    assert proof.failed == ("over current",) and not proved(proof)
    answer = trial_answer(proof)
    assert "DID NOT COME: over current" in answer.headline
    assert any(remark.level == "danger" for remark in answer.remarks)


def test_another_reason_proves_nothing():
    run = still_run()
    own = run.port.device.machine.trip
    run.port.device.machine.trip = lambda reason, *rest: own(Reason.PACK_LOW, *rest)

    (trial,) = tried(run, "over current").trials

    assert trial.tripped is False and trial.remark == "tripped by pack low instead"


def test_a_heartbeat_that_nobody_watches_is_found_out(monkeypatch):
    monkeypatch.setattr(HeartbeatRule, "silent", lambda self, now_us: False)

    (trial,) = tried(still_run(), "heartbeat lost").trials

    assert trial.tripped is False and "no trip" in trial.remark


def test_a_heartbeat_that_is_not_withheld_would_trip_nothing():
    """Else the trial would prove a host that is too slow, not a device that watches."""
    run = still_run()
    trial, provocation = TripsTrial(run.stand), BY_NAME["heartbeat lost"]
    run.loop.run(trial.prepare(provocation))
    run.loop.run(arm(run.stand, trial._table))

    run.loop.run(pause(run.stand, 1.0))

    assert run.stand.watch.live


@pytest.mark.parametrize(
    ("output_on", "by_hand", "tripped"),
    [(False, True, True), (False, False, False), (True, True, False), (False, None, None)],
)
def test_the_second_cut_needs_the_devices_word_and_somebodys_eyes(output_on, by_hand, tripped):
    trial = TripsTrial(still_run().stand)
    trial._second_cut, trial._second_cut_was_on = [True, not output_on], True

    trial.judge_second_cut(by_hand)

    assert trial.trials[-1].tripped is tripped
    assert by_hand is not None or "nobody saw or heard" in trial.trials[-1].remark


def test_a_second_cut_that_was_never_on_is_none():
    trial = TripsTrial(still_run().stand)
    trial._second_cut = [True]

    trial.judge_second_cut(True)

    assert trial.trials[-1].tripped is False


def test_what_the_rig_does_not_watch_is_told_and_not_proved():
    run = still_run(example_rig_text())
    trial = TripsTrial(run.stand)
    due = {provocation.trip for provocation in trial.due()}

    assert not due & {"stuck servo", "supply low", "cut failed"}
    proof = trial.proof("", "", True)
    assert not proved(proof) and not trial_answer(proof).judged
    assert any("limits.stuck_servo_deg" in item.why for item in trial_answer(proof).not_judged)


def test_a_rig_with_every_limit_leaves_nothing_out():
    rig = still_run(RIG_TEXT).stand.rig

    assert [provocation.trip for provocation in PROVOCATIONS if unwatched(provocation, rig)] == []


def test_every_reason_of_the_device_is_provoked_or_named_as_one_from_inside():
    from whirlbench.session.still.trips_on_trial import FROM_INSIDE

    provoked = {reason for provocation in PROVOCATIONS for reason in provocation.reasons}
    inside = {Reason[name.upper().replace(" ", "_")] for name in FROM_INSIDE}
    # a failed cut as a reason of its own needs a rotor that turns on after a disarm; the event is provoked instead
    assert set(Reason) - provoked - inside == {Reason.NONE, Reason.CUT_FAILED}
