"""The host's ring stays awake: a trip that was overtaken by a disarm mutes nothing later."""

import re

import msgspec
import pytest

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Counters
from whirlbench.safety.host_rules import Trip
from whirlbench.session.engine import Command, CommandKind, Phase

FIRED = Trip("thrust_n", 1.0, 999.0, 1.0)


@pytest.fixture
def running(make_bench):
    """An open session, armed, no other operator."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_rule_fires_again_in_the_next_run(running):
    judge, fired = running.engine.ring.judge, []

    def once(batch, live):
        if live and not fired:
            fired.append(FIRED)
            return FIRED
        return judge(batch, live)

    running.step([Command(CommandKind.DISARM)])
    running.engine.ring.judge = once  # in the step before the device shows itself locked
    running.run(running.now_s + 0.6)
    assert fired and running.device.machine.state.name in ("LOCKED", "TRIPPED")
    running.engine.ring.judge = judge
    running.run(running.now_s + 10, lambda bench: bench.engine.phase is Phase.TRIPPED)
    running.step([Command(CommandKind.RESET)])
    running.run(running.now_s + 5, lambda bench: bench.engine.phase is Phase.READY)
    running.step([Command(CommandKind.ARM)])
    running.run(running.now_s + 3, lambda bench: bench.engine.phase is Phase.RUNNING)
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.run(running.now_s + 0.2)
    assert running.device.machine.state.name == "TRIPPED"
    assert running.device.machine.reason.name == "HOST_RULE"


def test_a_rule_that_goes_on_firing_aborts_again_when_no_cut_is_under_way(running):
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.engine._host_trip = FIRED  # as after a cut that came to nothing
    running.run(running.now_s + 0.2)
    assert running.device.machine.reason.name == "HOST_RULE"
    assert len(running.events("limit")) < 5


def without_conversions(bench):
    """From now on the device's counts tell of no conversion of the load cell."""
    wire = Unframer()

    def silent(now_s, data):
        messages = [
            msgspec.structs.replace(message, load_cell_readings=0) if isinstance(message, Counters) else message
            for message in wire.feed(data)
        ]
        return b"".join(frame(message, number) for number, message in enumerate(messages))

    bench.to_host = silent


def test_a_silent_load_cell_is_a_trip_where_thrust_is_limited(running):
    without_conversions(running)
    running.run(running.now_s + 1.3)
    assert running.device.machine.reason.name == "HOST_RULE"
    assert "load_cell_readings 0" in running.events("limit")[-1].detail


def test_a_silent_load_cell_is_no_matter_without_a_limit_on_thrust(make_bench, rig_text):
    bench = make_bench("", rig_text=re.sub(r"\nthrust_n = .*", "", rig_text, count=1), keep_open=True)
    assert bench.engine.rig.limits.thrust_n is None
    bench.operator = lambda progress: ()
    without_conversions(bench)
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 2.5)
    assert bench.engine.phase is Phase.RUNNING
