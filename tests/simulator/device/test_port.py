"""The simulated port behaves like any port: bytes when there are some, errors when it is gone."""

from __future__ import annotations

import pickle
from functools import partial

import pytest

from whirlbench.errors import LinkError
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Ack, ReadLimits, Slow
from whirlbench.rig.toml import example_rig_text
from whirlbench.simulator.device.simulated_port import SimulatedPort, open_simulated
from whirlbench.simulator.stand import RootCrack


class Clock:
    """A clock that is told the time."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def test_time_of_the_stand_is_time_since_opening():
    clock = Clock()
    port = SimulatedPort(example_rig_text(), 1, clock=clock)
    assert port.read() == b"\0"  # the end of whatever came before its start
    clock.now_s += 0.5
    slow = [item for item in Unframer().feed(port.read()) if isinstance(item, Slow)]
    assert len(slow) == 250 and slow[-1].time_us == 500_000
    assert port.read() == b""


def test_a_command_is_taken_when_it_is_written():
    clock = Clock()
    port = SimulatedPort(example_rig_text(), 1, clock=clock)
    clock.now_s += 0.1
    port.write(frame(ReadLimits(), 7))
    answers = [item for item in Unframer().feed(port.read()) if isinstance(item, Ack)]
    assert [answer.command_sequence for answer in answers] == [7]


def test_a_closed_port_says_so():
    port = SimulatedPort(example_rig_text(), 1, clock=Clock())
    port.close()
    port.close()
    for use in (port.read, lambda: port.write(b"x")):
        with pytest.raises(LinkError, match="closed"):
            use()


def test_the_factory_travels_to_another_process():
    factory = partial(open_simulated, example_rig_text(), 3, (RootCrack(5.0),))
    port = pickle.loads(pickle.dumps(factory))()
    assert isinstance(port.read(), bytes)
    port.close()
