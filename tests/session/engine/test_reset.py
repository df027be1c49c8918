"""Resetting after a trip that the device made by itself: its throttle command is still where the run left it."""

import msgspec
import pytest

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Ack, DeviceEvent, Reset, Result, Slow
from whirlbench.session.engine import Command, CommandKind, Ending, Phase
from whirlbench.simulator.stand import Runaway

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
