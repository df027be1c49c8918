"""The ends of the servo's travel: found by supply or by feedback alone, tried again, refused where nothing can tell."""

from __future__ import annotations

import pytest
from still_runs import RIG_TEXT, still_run

from whirlbench.errors import CalibrationError
from whirlbench.results.stand import travel_answer, travel_values
from whirlbench.rig.toml import example_rig_text
from whirlbench.safety.state_table import Stand
from whirlbench.session.still import identify
from whirlbench.session.still.travel import MARGIN_US, ServoEnd, Travel, TravelSearch
from whirlbench.simulator.device import device as device_module

STOP_US = 955.0  # of the simulated servo; the other one lies at 2062
NEAR = (1040, (900, 1100))  # start and range of a short search that meets the lower stop only


def found(run, start_us, within_us):
    search = TravelSearch(run.stand, start_us, within_us)
    return search, run.loop.run(search.find())


def checked(run, search, travel):
    return run.loop.run(search.check(travel, lambda: run.port.hands.act("card"), run.port.hands.let_go))


@pytest.fixture
def blind_supply(monkeypatch):
    """A servo on a supply of its own: the device's does not sag."""
    monkeypatch.setattr(device_module, "STALL_SAG_MV", 0)


def test_a_stop_is_told_by_the_supply_and_the_end_point_holds():
    run = still_run()
    search, travel = found(run, *NEAR)

    assert travel.least.stop_us == pytest.approx(STOP_US, abs=6.0) and travel.least.told_by == "supply"
    assert travel.least.proposed_us == pytest.approx(STOP_US + MARGIN_US, abs=6.0)
    assert travel.greatest.stop_us is None and travel.greatest.proposed_us <= 1100
    assert run.stand.state is Stand.LOCKED and run.stand.slow.servo_us == NEAR[0]

    travel = checked(run, search, travel)

    assert travel.held is True and run.stand.state is Stand.LOCKED
    assert run.stand.slow.throttle_us == 1000
    answer = travel_answer(travel, run.stand.rig)
    assert answer.judged and "held under the governor" in answer.headline
    assert travel_values(travel)["pitch.min_us"] == travel.least.proposed_us


def test_a_stop_is_told_by_the_feedback_alone_and_one_that_moved_is_found_out(blind_supply):
    run = still_run()
    search, travel = found(run, *NEAR)

    assert travel.least.told_by == "feedback"
    assert travel.least.stop_us == pytest.approx(STOP_US, abs=6.0)
    assert min(pulse for pulse, *_ in travel.course) > STOP_US - 40.0  # it leant on the stop by no more

    run.port.device.plant.servo._stops_us = (STOP_US + 60.0, 2062.0)  # somebody moved the stop

    travel = checked(run, search, travel)

    assert travel.held is False and "off where it stood before" in travel.remark
    answer = travel_answer(travel, run.stand.rig)
    assert not answer.judged and any(remark.level == "danger" for remark in answer.remarks)


def test_without_a_card_the_governor_tries_nothing(monkeypatch):
    monkeypatch.setattr("whirlbench.session.still.travel.CARD_S", 1.0)
    run = still_run()
    run.loop.run(identify(run.stand))
    search = TravelSearch(run.stand, *NEAR)
    travel = Travel(ServoEnd(STOP_US, "supply", 980), ServoEnd(None, "", 1096), 0.66, ((1040.0, 200.0, 5000.0),))

    travel = run.loop.run(search.check(travel, lambda: None, lambda: None))

    assert travel.held is None
    assert travel_answer(travel, run.stand.rig).not_judged


def test_without_feedback_nothing_is_searched():
    run = still_run(example_rig_text().replace("feedback = true", "feedback = false"))

    with pytest.raises(CalibrationError, match="without it a stop is found by stalling"):
        found(run, *NEAR)

    assert run.port.device.machine.servo_us == 0


def test_a_servo_that_does_not_follow_is_moved_no_further():
    run = still_run()
    run.port.hands.held["pitch_deg"] = 8.0  # the feedback's wire is off its arm

    with pytest.raises(CalibrationError, match="does not follow its pulse"), run.loop:
        found(run, *NEAR)

    assert run.port.device is None


def test_a_start_without_room_is_refused():
    with pytest.raises(CalibrationError, match="at least 56 us inside"):
        TravelSearch(still_run(RIG_TEXT).stand, 1090, (900, 1100))
