"""The simulated device from boot to turning: telemetry, limits, arming, pulses."""

from __future__ import annotations

import numpy as np
import pytest
from device_host import LIMITS, Host, of

from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
    Abort,
    Ack,
    Arm,
    Board,
    ChannelInfo,
    Counters,
    DeviceEvent,
    Disarm,
    Hello,
    Identify,
    Limits,
    Pitch,
    ReadLimits,
    Reason,
    Request,
    Reset,
    Result,
    SetLimit,
    Slow,
    State,
    Tach,
    Throttle,
    Vibration,
)

# --- boot and telemetry ---


def test_boots_locked_and_introduces_itself_unasked():
    messages = Host().wait(0.1, beat=False)
    hello = of(Hello, messages)
    assert len(hello) == 1 and hello[0].state == State.LOCKED and hello[0].board == Board.SIMULATED_STAND
    assert [row.index for row in of(ChannelInfo, messages)] == list(range(hello[0].channels))
    assert not of(Ack, messages)


def test_telemetry_has_its_rates_and_no_gap():
    host = Host()
    messages = host.wait(4.0, beat=False)
    assert len(of(Slow, messages)) == 2000 and len(of(Counters, messages)) == 4
    assert of(Counters, messages)[-1].load_cell_readings == 80 and of(Slow, messages)[0].load_counts > 70_000
    blocks = of(Vibration, messages)
    assert len(blocks) == 400 and [block.first_index for block in blocks] == list(range(0, 6400, 16))
    assert {len(block.counts) for block in blocks} == {96} and blocks[5].time_us == 50_000
    assert host.unframer.counters.bad == host.unframer.counters.lost == 0


def test_identify_is_answered_after_hello_and_table():
    host = Host()
    host.wait(0.1)
    assert host.say(Identify(PROTOCOL_VERSION)) is None
    messages = host.wait(0.1)
    kinds = [type(item) for item in messages if isinstance(item, (Hello, ChannelInfo, Ack))]
    assert kinds == [Hello] + [ChannelInfo] * of(Hello, messages)[0].channels + [Ack]


def test_another_version_is_refused_by_name_and_by_nothing_else():
    host = Host()
    host.wait(0.1)
    answer = host.say(Identify(PROTOCOL_VERSION - 1))
    assert (answer.result, answer.detail) == (Result.WRONG_VERSION, PROTOCOL_VERSION)
    assert not of(Hello, host.wait(0.1)) and not of(ChannelInfo, host.messages[-60:])


# --- limits and arming ---


def test_limits_are_written_echoed_and_checked():
    host = Host()
    host.wait(0.1)
    assert host.say(SetLimit(LimitId.OVERSPEED_TICKS, 20_000)).result == Result.DONE
    assert host.say(SetLimit(LimitId.CURRENT_COUNTS, 1023)).result == Result.BAD_VALUE  # the converter's rail
    assert host.say(SetLimit(LimitId.CURRENT_COUNTS, 0)).result == Result.DONE
    assert host.say(SetLimit(99, 1)).result == Result.BAD_VALUE
    assert host.say(ReadLimits()).result == Result.DONE
    echo = of(Limits, host.messages)[-1]
    assert echo.values[LimitId.OVERSPEED_TICKS] == 20_000 and echo.crc == checksum(echo.values)


def test_arming_is_refused_for_each_reason():
    host = Host()
    host.wait(0.1, beat=False)
    own = checksum(host.device.machine.limits)
    answer = host.say(Arm(own ^ 1))
    assert (answer.result, answer.detail) == (Result.LIMITS_DIFFER, own)
    assert host.say(Arm(own)).result == Result.BAD_VALUE  # no overspeed limit
    for slot, value in LIMITS.items():
        host.say(SetLimit(slot, value))
    crc = checksum(host.device.machine.limits)
    assert host.say(Arm(crc)).result == Result.NOT_AT_REST  # not yet known to be
    host.wait(0.6, beat=False)
    assert host.say(Arm(crc)).result == Result.HEARTBEAT_MISSING
    host.wait(0.1)
    assert host.say(Arm(crc)).result == Result.DONE and host.state == State.ARMED
    assert (again := host.say(Arm(crc))).result == Result.WRONG_STATE and again.detail == State.ARMED
    assert host.say(SetLimit(LimitId.OVERSPEED_TICKS, 0)).result == Result.WRONG_STATE


def test_locked_takes_no_pulses_but_the_safe_one():
    host = Host()
    host.wait(0.1)
    assert host.say(Throttle(1500)).result == Result.WRONG_STATE
    assert host.say(Throttle(1000)).result == Result.WRONG_STATE  # no safe pulse was ever set
    assert host.say(SetLimit(LimitId.THROTTLE_SAFE_US, 1000)).result == Result.DONE
    assert host.say(Throttle(1000)).result == Result.DONE
    assert host.say(Pitch(1500)).result == Result.WRONG_STATE
    assert host.say(Request(3000)).result == Result.WRONG_STATE
    assert host.say(Reset()).result == Result.WRONG_STATE
    assert host.say(Abort(Reason.OPERATOR_ABORT)).result == Result.DONE
    host.wait(0.1)
    assert host.state == State.TRIPPED


def test_a_command_of_the_other_direction_is_unknown():
    host = Host()
    host.wait(0.1)
    assert host.say(ReadLimits()).result == Result.DONE
    assert host.say(Counters(*range(len(Counters.__struct_fields__)))).result == Result.UNKNOWN_COMMAND


# --- turning ---


def test_armed_turning_and_back():
    host = Host().armed(REST_MS=1000)  # longer than the last turn takes
    host.say(Throttle(1300))
    messages = host.wait(1.0)
    assert host.state == State.TURNING
    rising = [item.throttle_us for item in of(Slow, messages)]
    assert max(np.diff(rising)) <= 1 and rising[-1] == 1300  # 500 us/s at 500 samples/s
    host.say(Throttle(1000))
    assert of(Slow, host.wait(0.02))[-1].throttle_us == 1000
    host.wait(16.0)
    assert host.state == State.ARMED
    changes = [item.state for item in of(DeviceEvent, host.messages)]
    assert changes == [State.ARMED, State.TURNING, State.ARMED]


def test_tach_edges_are_numbered_and_tell_the_speed():
    host = Host().turning()
    batches = of(Tach, host.wait(1.0))
    assert all(1 <= len(batch.edges_us) <= 16 for batch in batches)
    firsts = [batch.first_index for batch in batches]
    assert np.array_equal(np.diff(firsts), [len(batch.edges_us) for batch in batches[:-1]])
    edges = np.concatenate(
        [np.array(batch.edges_us) + 0.5 * (batch.half_us >> np.arange(len(batch.edges_us)) & 1) for batch in batches]
    )
    assert 60e6 / np.diff(edges).mean() == pytest.approx(host.device.plant.state.rpm, rel=0.01)
    period = of(Slow, host.messages)[-1].period_ticks
    assert 120e6 / period == pytest.approx(host.device.plant.state.rpm, rel=0.01)


def test_set_points_beyond_the_table_change_nothing():
    host = Host().turning()
    before = of(Slow, host.messages)[-1]
    for command in (Throttle(1950), Throttle(900), Pitch(900), Pitch(2100)):
        assert host.say(command).result == Result.BAD_VALUE
    after = of(Slow, host.wait(0.1))[-1]
    assert (after.throttle_us, after.servo_us) == (before.throttle_us, before.servo_us)


def test_disarm_while_turning_locks_at_rest():
    host = Host().turning()
    assert host.say(Disarm()).result == Result.DONE
    assert host.state == State.TURNING and host.say(Throttle(1200)).result == Result.WRONG_STATE
    host.wait(18.0)
    assert host.state == State.LOCKED and host.device.plant.state.rpm == 0.0
