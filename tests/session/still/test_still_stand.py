"""Work at a stand whose motor cannot be driven: the device refuses every driving pulse, whoever asks."""

from __future__ import annotations

import pytest
from still_runs import still_run

from whirlbench.errors import CalibrationError, LinkError, RigError
from whirlbench.link.limit_table import LimitId, missing_for_arming
from whirlbench.link.messages import Throttle
from whirlbench.safety.state_table import Stand
from whirlbench.session.still import agree, arm, identify, lock, pause, put_servo, read, still_table
from whirlbench.session.still.still_stand import StandTripped, answered


@pytest.fixture
def run():
    started = still_run()
    started.loop.run(identify(started.stand))
    return started


def armed(run):
    table = still_table(run.stand.rig, (1000, 2000))
    run.loop.run(agree(run.stand, table))
    run.loop.run(arm(run.stand, table))
    return table


def test_an_armed_still_stand_drives_nothing(run):
    armed(run)

    exchange = run.loop.run(answered(run.stand, Throttle(1300)))

    assert not exchange.done and "bad value" in exchange.complaint()
    run.loop.run(pause(run.stand, 0.3))
    assert run.stand.slow.throttle_us == 1000 and run.stand.state in (Stand.ARMED, Stand.TURNING)


def test_a_table_that_lets_the_motor_turn_is_never_written(run):
    table = list(still_table(run.stand.rig))
    table[LimitId.THROTTLE_MAX_US] = 1900

    with pytest.raises(LinkError, match="would let the motor be driven"):
        run.loop.run(agree(run.stand, table))

    assert run.port.device.machine.limits[LimitId.THROTTLE_MAX_US] == 1000


def test_slots_cannot_widen_the_throttle():
    table = still_table(still_run().stand.rig, THROTTLE_MAX_US=1900)

    assert table[LimitId.THROTTLE_MAX_US] == table[LimitId.THROTTLE_SAFE_US] == 1000
    assert missing_for_arming(table) is None


def test_a_value_that_does_not_fit_names_its_slot():
    with pytest.raises(RigError, match="5 does not fit the device's slot HEARTBEAT_MS"):
        still_table(still_run().stand.rig, HEARTBEAT_MS=5)


def test_hands_come_near_a_locked_stand_only(run):
    table = still_table(run.stand.rig, (1000, 2000))
    run.loop.run(agree(run.stand, table))

    run.loop.run(put_servo(run.stand, table, 1500.0, 1440.0))

    assert run.stand.state is Stand.LOCKED
    assert run.port.device.plant.servo.position_us == pytest.approx(1500.0, abs=3.0)


def test_a_host_that_falls_silent_leaves_no_armed_stand(run):
    armed(run)
    run.time.sleep(0.7)  # as if nobody turned the loop

    run.loop.turn()
    run.loop.run(pause(run.stand, 0.1))

    assert run.stand.state is Stand.TRIPPED


def test_leaving_the_loop_aborts_what_is_armed(run):
    armed(run)
    device = run.port.device

    with run.loop:
        pass

    assert device.machine.state == Stand.TRIPPED


def test_a_trip_that_nobody_provoked_is_told(run):
    table = armed(run)
    run.loop.run(lock(run.stand))
    run.port.hands.card_rpm = 1200.0  # the propeller is turned

    with pytest.raises((StandTripped, LinkError)):
        run.loop.run(put_servo(run.stand, table, 1500.0, 1440.0))


def test_a_reading_is_of_its_own_time_and_of_sensors_that_answer(run):
    run.port.hands.held["thrust_n"] = 20.0
    reading = run.loop.run(read(run.stand, ("thrust_n",)))["thrust_n"]

    assert reading.mean == pytest.approx(84000 + 20.0 / 1.25e-4, rel=2e-3) and not reading.restless
    assert 140 <= reading.count <= 170  # of a converter that reads 80 times a second, not of every frame
    with pytest.raises(CalibrationError, match="nobody: 0 samples"):
        run.stand.readings(("nobody",))
