"""A set-point that the device refuses is never passed over: checked before, and noticed in mid-run."""

from dataclasses import replace

import msgspec
import pytest

from whirlbench.errors import PlanError, RigError
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.rig.description import servo_ends
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import Command, CommandKind, Ending, Phase

PLAN = """
[[step]]
kind = "hold"
throttle_us = 1160
pitch_deg = 14
duration_s = 3
"""


@pytest.fixture
def narrow_text(rig_text):
    """A rig whose servo must not go beyond 1400 us, where the pitch table goes on."""
    assert "\nsafe_us = 1200" in rig_text
    return rig_text.replace("\nsafe_us = 1200", "\nmax_us = 1400\nsafe_us = 1200", 1)


def test_a_plan_beyond_the_servo_s_ends_is_refused_before_anything_is_sent(make_bench, narrow_text):
    assert servo_ends(parse_rig(narrow_text))[1] == 1400
    with pytest.raises(PlanError, match=r"step 1 \(hold\): servo pulse .* max_us, .* to 1400"):
        make_bench(PLAN, narrow_text)


def with_a_device_of_narrower_ends(bench):
    """The device takes the agreed limits but refuses servo pulses above 1400 us."""
    machine = bench.device.machine
    machine.limits[LimitId.SERVO_MAX_US] = 1400
    machine.checksum = checksum(machine.limits)  # else the device sees its memory changed, and trips


def test_a_refused_set_point_stops_a_plan(make_bench):
    bench = make_bench(PLAN)
    bench.run(30, lambda bench: bench.engine.phase is Phase.RUNNING)
    with_a_device_of_narrower_ends(bench)
    outcome = bench.run(60)
    assert outcome.ending == Ending.TRIPPED
    assert "plan stopped in step 1: Pitch: the device answered bad value" in outcome.reason


def test_a_refused_set_point_by_hand_is_told(make_bench):
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    with_a_device_of_narrower_ends(bench)
    bench.step([Command(CommandKind.PITCH, 14.0)])
    bench.run(bench.now_s + 0.3)
    assert bench.engine.phase is Phase.RUNNING
    assert bench.engine.message == "Pitch: the device answered bad value"
    assert bench.events("note")[-1].name == "set-point refused"


def test_the_first_pulse_of_a_servo_is_one_that_the_device_accepts(make_bench, rig_text):
    rig = parse_rig(rig_text)
    controls = make_bench().engine.controls
    low, high = servo_ends(rig)
    outside = replace(controls, rig=_with_safe_us(rig, high + 100.0))
    assert low <= outside.first_servo_us() <= high


def _with_safe_us(rig, safe_us):
    return msgspec.structs.replace(rig, pitch=msgspec.structs.replace(rig.pitch, safe_us=safe_us))


def test_end_points_that_leave_out_the_safe_pulse_are_refused(make_bench, rig_text):
    """A trip would send the servo where it may not go."""
    flight = rig_text.replace("\nsafe_us = 1200", "\nmin_us = 1400\nmax_us = 1650\nsafe_us = 1200", 1)
    with pytest.raises(RigError, match=r"pitch.safe_us gives 1200 .* outside the servo's range"):
        make_bench(PLAN, flight)
