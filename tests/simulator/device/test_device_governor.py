"""The simulated device's governor over the wire."""

from __future__ import annotations

import pytest
from device_host import Host, of

from whirlbench.link.messages import (
    GovernorId,
    GovernorMode,
    Pitch,
    Request,
    Result,
    SetGovernor,
    Slow,
    Throttle,
)


def test_the_throttle_governor_takes_over_without_a_jump_and_holds():
    host = Host().armed()
    for parameter, value in (
        (GovernorId.THROTTLE_KP, round(0.05 * 65536)),
        (GovernorId.THROTTLE_KI, round(0.4 * 65536)),
        (GovernorId.THROTTLE_MIN_US, 1100),
        (GovernorId.THROTTLE_MAX_US, 1900),
        (GovernorId.THROTTLE_SLEW_US_PER_S, 1000),
        (GovernorId.MODE, GovernorMode.THROTTLE),
    ):
        assert host.say(SetGovernor(parameter, value)).result == Result.DONE
    host.say(Pitch(1400))
    host.say(Throttle(1400))
    host.wait(2.5)
    before = of(Slow, host.messages)[-1].throttle_us
    assert host.say(Request(3600)).result == Result.DONE
    first = of(Slow, host.wait(0.02))
    assert abs(first[0].throttle_us - before) <= 2 and first[-1].request_rpm == 3600
    host.wait(4.0)
    assert host.device.plant.state.rpm == pytest.approx(3600, rel=0.005)
    assert host.say(SetGovernor(GovernorId.MODE, GovernorMode.PITCH)).result == Result.WRONG_STATE
    assert host.say(Throttle(1300)).result == Result.DONE  # the operator's hand takes over
    assert of(Slow, host.wait(0.1))[-1].request_rpm == 0


def test_a_request_in_pass_through_is_only_told():
    host = Host().turning()
    before = of(Slow, host.messages)[-1].throttle_us
    assert host.say(Request(3000)).result == Result.DONE
    after = of(Slow, host.wait(0.5))[-1]
    assert (after.request_rpm, after.throttle_us) == (3000, before)


def test_governor_parameters_have_ranges():
    host = Host().armed()
    assert host.say(SetGovernor(GovernorId.MODE, 3)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(GovernorId.THROTTLE_KP, 2**31 - 1)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(99, 0)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(GovernorId.MODE, GovernorMode.THROTTLE)).result == Result.DONE
    assert host.say(Request(3000)).result == Result.BAD_VALUE  # no range of pulses was given
