"""The operator's commands: which phase carries out which, governor parameters in mid-session, and the reset.

The reset after a trip that the device made by itself: its throttle command is still where the run left it.
"""

import math

import msgspec
import pytest

from whirlbench.errors import RigError
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Ack, DeviceEvent, GovernorId, Reset, Result, Slow
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import PERMITTED, Command, CommandKind, Ending, Phase
from whirlbench.session.engine.device_limits import device_limits
from whirlbench.session.engine.governor_parameters import governor_parameter
from whirlbench.session.engine.phases import REFUSALS
from whirlbench.simulator.stand import Runaway

SLEW = "throttle_slew_us_per_s"


@pytest.fixture
def ready(make_bench):
    """An open session, agreed, no other operator."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    return bench


@pytest.mark.parametrize(
    ("key", "value"),
    [(SLEW, value) for value in (math.nan, math.inf, -5.0, 0.0, 1e6)]
    + [("kp_us_per_rpm", value) for value in (math.nan, -math.inf, 1e6)],
)
def test_what_the_device_cannot_take_is_a_message(ready, key, value):
    ready.step([Command(CommandKind.GOVERNOR, value, key)])
    assert ready.engine.message.startswith(f"governor: governor.{key} is ")
    assert ready.events("note")[-1].name == "governor refused"


def test_a_parameter_is_noted_when_the_device_has_it(ready):
    ready.step([Command(CommandKind.GOVERNOR, 120.0, SLEW)])
    assert not ready.events("note")
    ready.run(ready.now_s + 0.1)
    assert [(event.name, event.detail) for event in ready.events("note")] == [(f"governor {SLEW}", "120")]
    assert ready.device.machine.governor.parameters[GovernorId.THROTTLE_SLEW_US_PER_S] == 120


def test_a_small_slew_is_not_rounded_to_none(rig_text):
    assert governor_parameter(SLEW, 0.4).value == 1
    assert "\nslew_us_per_s = 500" in rig_text
    slow = parse_rig(rig_text.replace("\nslew_us_per_s = 500", "\nslew_us_per_s = 0.4", 1))
    assert device_limits(slow)[LimitId.THROTTLE_SLEW_US_PER_S] == 1


def test_an_unknown_parameter_names_those_that_are_known():
    with pytest.raises(RigError, match="known: kp_us_per_rpm"):
        governor_parameter("temper", 1.0)


# phase -> how an open session without a plan comes to it
WAYS = {
    Phase.CONNECTING: [],
    Phase.AGREEING: [],
    Phase.READY: [],
    Phase.ARMING: [CommandKind.ARM],
    Phase.RUNNING: [CommandKind.ARM],
    Phase.STOPPING: [CommandKind.ARM, CommandKind.THROTTLE, CommandKind.DISARM],
    Phase.COASTING: [CommandKind.ARM, CommandKind.ABORT],
    Phase.TRIPPED: [CommandKind.ARM, CommandKind.ABORT],
}
VALUES = {CommandKind.THROTTLE: 1160.0, CommandKind.SERVO: 1500.0, CommandKind.PITCH: 5.0, CommandKind.REQUEST: 0.0,
          CommandKind.GOVERNOR: 0.1}  # fmt: skip


@pytest.fixture
def come_to(make_bench):
    """Brings an open session with a plan to a phase."""

    def reach(phase):
        bench = make_bench(keep_open=True)
        bench.operator = lambda progress: ()
        for kind in WAYS[phase]:
            begin = Phase.READY if kind is CommandKind.ARM else Phase.RUNNING
            turning = kind is CommandKind.DISARM
            bench.run(20, lambda bench, a=begin, b=turning: bench.engine.phase is a and bench.turning() >= b)
            bench.step([command_of(kind)])
        bench.run(40, lambda bench: bench.engine.phase is phase)
        assert bench.engine.phase is phase
        return bench

    return reach


def command_of(kind):
    return Command(kind, VALUES.get(kind, 0.0), "kp_us_per_rpm", blade_set="moulded")


def refused(bench):
    return {event.name: event.detail for event in bench.events("note") if event.name.endswith(" refused")}


@pytest.mark.parametrize("phase", WAYS)
def test_every_other_command_is_refused_in_the_words_of_the_table(come_to, phase):
    bench = come_to(phase)
    others = set(CommandKind) - PERMITTED[phase]
    assert others
    bench.step([command_of(kind) for kind in others])
    assert refused(bench) == {f"{kind} refused": REFUSALS[kind].format(phase=phase) for kind in others}
    assert bench.engine.phase is phase or phase in (Phase.CONNECTING, Phase.AGREEING, Phase.ARMING)


# all but an inspection's end, which has to be waited for
PAIRS = [(phase, kind) for phase in WAYS for kind in sorted(PERMITTED[phase] - {CommandKind.CONTINUE})]


@pytest.mark.parametrize(("phase", "kind"), PAIRS)
def test_a_permitted_command_is_carried_out(come_to, phase, kind):
    bench = come_to(phase)
    bench.step([command_of(kind)])
    assert refused(bench) == {}


def test_the_table_knows_every_phase_and_has_words_for_every_refusal():
    assert set(PERMITTED) == set(Phase)
    for phase in Phase:
        assert set(CommandKind) - PERMITTED[phase] <= set(REFUSALS)


def test_a_session_without_a_plan_says_so_in_every_phase(ready):
    ready.step([Command(CommandKind.START)])
    assert refused(ready) == {"start refused": "there is no plan"}


HOLD = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 90'


def heartbeat_trip(make_bench, rig_text):
    bench = make_bench("", rig_text=rig_text, keep_open=True)
    drive(bench)
    bench.surface_age_s = lambda now_s: 9.0
    return bench


def overspeed_trip(make_bench, rig_text):
    slower = rig_text.replace("overspeed_rpm = 6000", "overspeed_rpm = 1500")
    bench = make_bench("", rig_text=slower, faults=(Runaway(2.0),), keep_open=True)
    drive(bench)
    return bench


def drive(bench):
    """Armed by hand and turning."""
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    bench.step([Command(CommandKind.THROTTLE, 1160), Command(CommandKind.PITCH, 8.0)])
    bench.run(20, lambda bench: bench.turning())


@pytest.mark.parametrize("trip, reason", [(heartbeat_trip, "HEARTBEAT_LOST"), (overspeed_trip, "OVERSPEED")])
def test_a_session_resets_a_trip_of_the_device(make_bench, rig_text, trip, reason):
    bench = trip(make_bench, rig_text)
    bench.run(300, lambda bench: bench.engine.phase is Phase.TRIPPED)
    assert bench.device.machine.reason.name == reason
    assert bench.device.machine.throttle_command_us > 1000
    bench.surface_age_s = lambda now_s: 0.0
    bench.step([Command(CommandKind.RESET)])
    bench.run(bench.now_s + 3.0, lambda bench: bench.engine.phase is Phase.READY)
    assert (bench.engine.phase, bench.device.machine.state.name) == (Phase.READY, "LOCKED")


def test_reset_first_resets_a_trip_of_the_device(make_bench):
    first = make_bench(HOLD)
    first.run(20, lambda bench: bench.turning())
    first.surface_age_s = lambda now_s: 9.0
    assert first.run(200).ending == Ending.TRIPPED
    second = make_bench(reset_first=True)
    second.device, second.now_s = first.device, first.now_s
    assert second.run(second.now_s + 60).ending == Ending.DONE


def test_a_refused_reset_says_why(make_bench, rig_text):
    bench = heartbeat_trip(make_bench, rig_text)
    bench.run(300, lambda bench: bench.engine.phase is Phase.TRIPPED)
    wire = Unframer()

    def refused(now_s, data):
        """The line with every answer to a Reset turned into a refusal."""
        messages = [
            msgspec.structs.replace(message, result=Result.NOT_AT_REST)
            if isinstance(message, Ack) and message.command == Reset.TYPE
            else message
            for message in wire.feed(data)
        ]
        kept = [message for message in messages if not isinstance(message, (Slow, DeviceEvent))]
        return b"".join(frame(message, number) for number, message in enumerate(kept))

    bench.to_host = refused
    bench.step([Command(CommandKind.RESET)])
    bench.run(bench.now_s + 0.2)
    assert "not at rest" in bench.engine.message
    assert bench.events("note")[-1].name == "reset refused"
    assert bench.engine.phase is Phase.TRIPPED


@pytest.mark.parametrize("mode, kept_rpm", [("pitch", 900.0), ("pass_through", 0.0)])
def test_a_throttle_by_hand_leaves_the_request_of_a_pitch_governor_alone(make_bench, rig_text, mode, kept_rpm):
    gains = "pitch_kp_us_per_rpm = -0.05\npitch_ki_us_per_rpm_s = -0.05\n" if mode == "pitch" else ""
    bench = make_bench("", rig_text=rig_text.replace('mode = "pass_through"', f'mode = "{mode}"\n{gains}'))
    drive(bench)
    bench.step([Command(CommandKind.REQUEST, 900.0)])
    bench.run(bench.now_s + 0.3)

    bench.step([Command(CommandKind.THROTTLE, 1180)])
    bench.run(bench.now_s + 0.3)

    assert bench.engine.set_points.request_rpm == kept_rpm
    assert bench.device.machine.throttle_command_us == 1180
    assert (bench.device.machine.request_rpm, bench.device.machine.governor.running) == (kept_rpm, mode == "pitch")
