"""The simulated device against the host's half of the protocol; damage on the line; one seed, one stream."""

from __future__ import annotations

import struct
from dataclasses import replace
from zlib import crc32

import numpy as np
import pytest
from cobs.cobs import encode as stuff
from device_host import LIMITS, Host, of

from whirlbench.link.conversation import Conversation
from whirlbench.link.framing import Unframer
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import (
    Abort,
    Ack,
    Arm,
    Board,
    Counters,
    Disarm,
    Heartbeat,
    Hello,
    Pitch,
    ReadLimits,
    Reason,
    Reset,
    Result,
    SetLimit,
    Slow,
    State,
    Throttle,
    encode,
)
from whirlbench.rig.toml import example_rig_text
from whirlbench.simulator.device.simulated_port import simulated_device


def test_a_conversation_from_knock_to_trip_and_reset():
    device = simulated_device(example_rig_text(), 5)
    talk, now_s, seen = Conversation(), 0.0, []

    def let(seconds: float, beat: bool = True) -> None:
        nonlocal now_s
        for turn in range(round(seconds / 0.005)):
            now_s += 0.005
            if beat and talk.identified and turn % 4 == 0:
                talk.send(Heartbeat(turn & 0xFFFF))
            seen.extend(talk.receive(device.exchange(now_s, talk.due(now_s)), now_s))

    let(0.6)
    assert talk.identified and talk.hello.board == Board.SIMULATED_STAND
    exchanges = [talk.send(SetLimit(slot, value)) for slot, value in LIMITS.items()]
    exchanges.append(talk.send(ReadLimits()))
    let(1.5)
    assert all(exchange.done for exchange in exchanges)
    armed = talk.send(Arm(talk.limits.crc))
    let(0.2)
    assert armed.done
    talk.send(Throttle(1300))
    let(2.0)
    assert of(Slow, seen)[-1].state == State.TURNING
    talk.send(Abort(Reason.OPERATOR_ABORT))
    let(18.0)
    talk.send(Throttle(1000))
    reset = talk.send(Reset())
    let(0.2)
    assert reset.done and of(Slow, seen)[-1].state == State.LOCKED
    assert talk.counters.bad == talk.counters.lost == talk.counters.unknown == 0 and talk.restarts == 0


@pytest.mark.parametrize(
    ("least_us", "most_us", "left_us"), [(1600, 2000, 1600), (1000, 1200, 1200), (1000, 2000, 1500)]
)
def test_arming_brings_a_servo_back_into_a_range_that_has_moved(least_us, most_us, left_us):
    host = Host().armed(SERVO_SAFE_US=0)
    assert host.say(Pitch(1500)).result == Result.DONE
    assert host.say(Disarm()).result == Result.DONE
    host.wait(0.1)
    for slot, us in ((LimitId.SERVO_MIN_US, least_us), (LimitId.SERVO_MAX_US, most_us)):
        assert host.say(SetLimit(slot, us)).result == Result.DONE
    assert host.device.machine.servo_us == 1500  # nothing moves while locked
    assert host.say(Arm(checksum(host.device.machine.limits))).result == Result.DONE
    assert host.device.machine.servo_us == left_us


def test_a_trip_in_locked_keeps_the_servo_within_its_range():
    host = Host()
    host.say(SetLimit(LimitId.SERVO_SAFE_US, 1250))  # its range is 1500 us alone at start
    host.say(Abort(Reason.OPERATOR_ABORT))
    assert host.device.machine.servo_us == 1500


def test_damaged_bytes_change_nothing():
    host = Host().turning()
    before = memory_of(host.device.machine)
    host.device.exchange(host.time_s, np.random.default_rng(3).bytes(5000))
    assert memory_of(host.device.machine) == before
    host.wait(1.2)
    assert host.state == State.TURNING
    assert of(Counters, host.messages)[-1].bad_frames > 0


def memory_of(machine) -> tuple:
    return machine.state, machine.throttle_command_us, machine.servo_us, tuple(machine.limits), machine.reason


def test_one_seed_one_stream():
    streams = []
    for seed in (4, 4, 5):
        device = simulated_device(example_rig_text(), seed)
        streams.append(b"".join(device.exchange(0.01 * step, b"") for step in range(1, 101)))
    assert streams[0] == streams[1] != streams[2]


def test_a_late_caller_gets_everything_at_once():
    early, late = (simulated_device(example_rig_text(), 4) for _ in range(2))
    assert b"".join(early.exchange(0.01 * step, b"") for step in range(1, 101)) == late.exchange(1.0, b"")


def test_settings_of_a_plant_can_differ_from_its_rig(settings, rig):
    from whirlbench.simulator.device.device import SimulatedDevice
    from whirlbench.simulator.stand import Plant

    heavy = replace(settings, inertia_kg_m2=0.02)
    device = SimulatedDevice(rig, Plant(heavy, np.random.default_rng(1)), np.random.default_rng(2))
    assert of(Slow, Unframer().feed(device.exchange(0.1, b"")))


def test_an_intact_frame_of_no_command_or_of_a_wrong_length_is_answered() -> None:
    """As PROTOCOL.md has it, and as the sketch does: what is intact is obeyed or answered."""
    host = Host()
    host.unframer.feed(host.device.exchange(0.0, b""))
    for payload, expected in (
        (b"\x8c\x05", Ack(0x8C, 5, Result.UNKNOWN_COMMAND, 0)),
        (b"\x10\x06abc", Ack(0x10, 6, Result.UNKNOWN_COMMAND, 0)),
        (encode(Throttle(1000), 7) + b"\0", Ack(Throttle.TYPE, 7, Result.BAD_VALUE, 0)),
        (encode(Heartbeat(1), 8)[:-1], Ack(Heartbeat.TYPE, 8, Result.BAD_VALUE, 0)),
    ):
        wire = stuff(payload + struct.pack("<I", crc32(payload))) + b"\0"
        assert host.unframer.feed(host.device.exchange(0.0, wire)) == [expected]


def test_each_start_begins_with_a_delimiter() -> None:
    """It ends a frame that the restart may have cut short."""
    device = simulated_device(example_rig_text(), 1)
    sent = device.exchange(0.002, b"")
    assert sent[0] == 0 and sent[1] != 0
    device.hands.reset = True
    again = device.exchange(0.003, b"")
    assert again[0] == 0 and isinstance(Unframer().feed(again)[0], Hello)
