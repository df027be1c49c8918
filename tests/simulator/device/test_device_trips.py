"""Every way in which the simulated device cuts the power, and the one way back."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from device_host import LIMITS, Host, check_cut, of

from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import (
    Abort,
    Arm,
    DeviceEvent,
    EventKind,
    Hello,
    Pitch,
    ReadLimits,
    Reason,
    Request,
    Reset,
    Restart,
    Result,
    SetLimit,
    State,
    Tach,
    Throttle,
    Vibration,
)
from whirlbench.safety.device_rules import VibrationRule
from whirlbench.simulator.stand import faults


def test_overspeed_trips_on_the_first_short_period():
    host = Host(faults.Runaway(6.0, 1.0)).turning()
    host.wait(4.0)
    event = check_cut(host, Reason.OVERSPEED)
    assert event.detail < LIMITS[LimitId.OVERSPEED_TICKS]
    assert 120e6 / event.detail == pytest.approx(6200, rel=0.02)
    edges = [edge for batch in of(Tach, host.messages) for edge in batch.edges_us]
    short = next(b for a, b in pairwise(edges) if b - a < LIMITS[LimitId.OVERSPEED_TICKS] / 2 - 1)
    assert event.time_us == pytest.approx(short, abs=1)


def test_overspeed_waits_for_its_confirmations():
    host = Host(faults.Runaway(6.0, 1.0)).turning(OVERSPEED_CONFIRM=4)
    host.wait(4.0)
    event = check_cut(host, Reason.OVERSPEED)
    edges = [edge for batch in of(Tach, host.messages) for edge in batch.edges_us]
    limit = LIMITS[LimitId.OVERSPEED_TICKS] / 2
    first = next(index for index in range(1, len(edges)) if edges[index] - edges[index - 1] < limit - 1)
    assert event.time_us == pytest.approx(edges[first + 3], abs=1)


def test_blade_loss_trips_on_vibration_in_the_window_the_rule_names():
    host = Host(faults.BladeLoss(6.0)).turning(1600)
    host.wait(3.0)
    event = check_cut(host, Reason.VIBRATION)
    rule = VibrationRule(LIMITS[LimitId.VIBRATION_COUNTS], LIMITS[LimitId.VIBRATION_WINDOW])
    for block in of(Vibration, host.messages):
        last = rule.feed(block.first_index, np.frombuffer(block.counts, "<i2").reshape(-1, 3))
        if last is not None:
            break
    assert event.time_us == pytest.approx((last + 1) * 1e6 / 1600.0, abs=1000)
    assert 6.0e6 < event.time_us < 6.1e6 and event.detail > LIMITS[LimitId.VIBRATION_COUNTS]


@pytest.mark.parametrize("limit_ms", [60, 100, 250])
def test_silence_of_the_host_trips_within_its_limit(limit_ms):
    host = Host().turning(HEARTBEAT_MS=limit_ms)
    last_us = host.device.now_us
    host.wait(0.5, beat=False)
    event = check_cut(host, Reason.HEARTBEAT_LOST)
    assert limit_ms * 1000 < event.time_us - last_us <= limit_ms * 1000 + 2000
    assert event.detail == limit_ms + 1 or event.detail == limit_ms


def test_silence_trips_an_armed_stand_too_and_other_frames_are_no_heartbeat():
    host = Host().armed()
    for _ in range(10):
        host.wait(0.02, beat=False)
        host.say(ReadLimits())
    assert host.state == State.TRIPPED and host.trips()[0].reason == Reason.HEARTBEAT_LOST


@pytest.mark.parametrize(
    ("told", "kept"),
    [(Reason.OPERATOR_ABORT, Reason.OPERATOR_ABORT), (Reason.HOST_RULE, Reason.HOST_RULE), (77, Reason.OPERATOR_ABORT)],
)
def test_abort_cuts(told, kept):
    host = Host().turning()
    assert host.say(Abort(told)).result == Result.DONE
    check_cut(host, kept)


def test_the_first_reason_is_kept_and_limits_stay():
    host = Host().turning()
    host.say(Abort(Reason.HOST_RULE))
    limits = list(host.device.machine.limits)
    host.wait(0.5, beat=False)
    assert host.say(Abort(Reason.OPERATOR_ABORT)).result == Result.DONE
    assert len(host.trips()) == 1 and host.device.machine.reason == Reason.HOST_RULE
    assert host.device.machine.limits == limits


def test_only_a_reset_at_rest_with_safe_throttle_leaves_tripped():
    host = Host().turning()
    host.say(Abort(Reason.OPERATOR_ABORT))
    for command in (Throttle(1400), Pitch(1300), Request(3000), SetLimit(0, 0), Arm(0)):
        assert host.say(command).result == Result.WRONG_STATE
    assert host.say(Reset()).result == Result.NOT_AT_REST
    host.wait(18.0)
    assert host.say(Reset()).result == Result.THROTTLE_NOT_SAFE
    assert host.say(Throttle(1000)).result == Result.DONE
    assert host.say(Reset()).result == Result.DONE and host.state == State.LOCKED
    assert host.say(Arm(checksum(host.device.machine.limits))).result == Result.DONE


def test_a_brown_out_is_itself_a_trip():
    host = Host(faults.SupplyDip(5.0)).turning()
    host.wait(3.0)
    hello = of(Hello, host.messages)[-1]
    assert (hello.state, hello.reason, hello.restart_cause) == (State.TRIPPED, Reason.RESTART, Restart.BROWN_OUT)
    assert hello.time_us < 5000  # its clock began again
    event = of(DeviceEvent, host.messages)[-1]
    assert (event.kind, event.detail) == (EventKind.RESTARTED, Restart.BROWN_OUT)
    assert host.device.plant.state.duty == 0.0
    assert host.device.machine.limits[LimitId.OVERSPEED_TICKS] == 0
    assert host.say(Reset()).result == Result.NOT_AT_REST
    host.wait(18.0)
    assert host.say(Reset()).result == Result.DONE
