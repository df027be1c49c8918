"""A trip that the host alone has seen is made true on the device: told is not enough."""

import msgspec
import pytest

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Heartbeat, Slow, State
from whirlbench.session.engine import Ending


def heartbeats_from_now(bench):
    """Times at which heartbeats reach the device from here on."""
    times_s, wire = [], Unframer()

    def watch(now_s, data):
        times_s.extend(now_s for message in wire.feed(data) if isinstance(message, Heartbeat))
        return data

    bench.to_device = watch
    return times_s


def strange_hello(bench):
    """One Hello in mid-run that nobody asked for, from a device that goes on turning."""
    hello = msgspec.structs.replace(bench.engine.conversation.hello, time_us=bench.device.now_us & 0xFFFFFFFF)
    bench.to_host = lambda now_s, data: data + frame(hello, 0)


def strange_state(bench):
    """Samples in mid-run that say tripped, from a device that goes on turning."""
    wire = Unframer()

    def tripped(now_s, data):
        messages = [
            msgspec.structs.replace(message, state=State.TRIPPED) if isinstance(message, Slow) else message
            for message in wire.feed(data)
        ]
        return b"".join(frame(message, number) for number, message in enumerate(messages))

    bench.to_host = tripped


@pytest.mark.parametrize("strange", [strange_hello, strange_state])
def test_a_device_that_turns_on_after_a_trip_is_cut(long_bench, strange):
    bench = long_bench
    bench.run(30, lambda bench: bench.turning())
    strange(bench)
    while bench.engine.watch.tripped_at_s is None:
        bench.step()
    bench.to_host = lambda now_s, data: data
    began_s, beats_s = bench.now_s, heartbeats_from_now(bench)
    bench.run(began_s + 0.15)
    assert bench.device.machine.state.name == "TRIPPED"
    assert bench.device.machine.throttle_us == 1000
    assert bench.device.machine.reason.name in ("HOST_RULE", "HEARTBEAT_LOST")
    bench.run(began_s + 1.0)
    assert not [time_s for time_s in beats_s if time_s > began_s + 0.005]


def test_the_cut_after_an_inferred_trip_is_repeated_and_told(long_bench):
    bench = long_bench
    bench.run(30, lambda bench: bench.turning())
    strange_hello(bench)
    bench.step()
    bench.to_host = lambda now_s, data: data
    until_s = bench.now_s + 0.05
    bench.to_device = lambda now_s, data: data if now_s > until_s else b""
    bench.run(until_s + 0.08)
    assert bench.device.machine.reason.name == "HOST_RULE"
    assert bench.run().ending == Ending.TRIPPED
