"""The compiled sketch's receiver: the golden frames, noise, and as many bytes as the line can carry."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcu import BOARDS
from mcu_rotor import RawSensors, ScriptedRotor
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import FROM_HOST, Ack, Counters, Heartbeat, Message, Pitch, Reason, Slow, State

VECTORS = Path(__file__).resolve().parents[2] / "vectors"
FRAMES: list[dict[str, Any]] = json.loads((VECTORS / "frames.json").read_text())["frames"]
STREAMS: list[dict[str, Any]] = json.loads((VECTORS / "streams.json").read_text())["streams"]
COMMANDS = {message.__name__ for message in FROM_HOST if message is not Heartbeat}


@pytest.fixture(params=list(BOARDS))
def stand(request: pytest.FixtureRequest) -> Iterator[McuStand]:
    with McuStand(request.param, plant=ScriptedRotor(), sensors=RawSensors()) as stand:
        stand.run(0.2)
        yield stand


class Listener:
    """Puts bytes on the line and hears the answers."""

    def __init__(self, stand: McuStand) -> None:
        self.stand = stand
        self.unframer = Unframer()
        self.messages: list[Message] = []

    def feed(self, data: bytes, for_s: float = 0.03) -> list[Ack]:
        """Answers to ``data``."""
        self.stand.write(data)
        self.stand.run(self.stand.now_s + for_s)
        messages = self.unframer.feed(self.stand.read())
        self.messages += messages
        return [message for message in messages if isinstance(message, Ack)]

    def bad_frames(self) -> int:
        """The chip's own count, as of its next report."""
        self.feed(b"", 1.05)
        return next(message for message in reversed(self.messages) if isinstance(message, Counters)).bad_frames


def test_every_golden_command_is_understood_and_answered_once(stand: McuStand) -> None:
    listener = Listener(stand)
    commands = [vector for vector in FRAMES if vector["message"] in COMMANDS]
    assert {vector["message"] for vector in commands} == COMMANDS
    for vector in commands:
        payload = bytes.fromhex(vector["payload"])
        answers = listener.feed(bytes.fromhex(vector["frame"]), 0.03)
        told = [(answer.command, answer.command_sequence) for answer in answers]
        if vector["message"] != "Identify" or told:  # the answer to Identify follows the channel table
            assert told == [(payload[0], payload[1])], vector["name"]
    assert listener.bad_frames() == 0


def test_golden_streams_of_good_and_broken_frames(stand: McuStand) -> None:
    listener = Listener(stand)
    expected_bad = 0
    for vector in STREAMS:
        answers = listener.feed(bytes.fromhex(vector["bytes"]) + b"\0")
        payloads = [bytes.fromhex(payload) for payload in vector["payloads"]]
        told = [(answer.command, answer.command_sequence) for answer in answers]
        assert told == [(payload[0], payload[1]) for payload in payloads], vector["name"]
        expected_bad += vector["bad"]
    assert listener.bad_frames() == expected_bad


def test_noise_at_full_speed_changes_nothing_but_a_counter(stand: McuStand) -> None:
    listener = Listener(stand)
    noise = np.random.default_rng(2).integers(0, 256, 50_000, dtype=np.uint8).tobytes()
    answers = listener.feed(noise, 1.1)
    assert not answers
    assert listener.bad_frames() > 50  # the loop takes 32 bytes a turn: a third of what babbles
    lost = max(message.receive_overruns for message in listener.messages if isinstance(message, Counters))
    assert 0.2 * len(noise) < lost < 0.9 * len(noise)  # the rest is lost as bytes, and counted
    slow = next(message for message in reversed(listener.messages) if isinstance(message, Slow))
    assert (slow.state, slow.reason) == (State.LOCKED, Reason.NONE)
    assert stand.counters["receive_lost"] == 0
    talk = Talk(stand)
    talk.arm()  # and afterwards the line works as before


def test_noise_between_heartbeats_does_not_trip_and_noise_alone_does(stand: McuStand) -> None:
    talk = Talk(stand)
    talk.arm()
    rng = np.random.default_rng(4)
    for _ in range(60):
        stand.write(rng.integers(0, 256, 20, dtype=np.uint8).tobytes() + b"\0")
        talk.run(0.005)
    assert talk.state is State.ARMED
    talk.beating = False
    for _ in range(40):
        stand.write(rng.integers(0, 256, 20, dtype=np.uint8).tobytes() + b"\0")
        talk.run(0.005)
    assert [reason for reason, _ in talk.trips] == [Reason.HEARTBEAT_LOST]


def test_the_largest_permitted_burst_arrives_whole_in_full_activity(stand: McuStand) -> None:
    """54 bytes in flight are what the host allows itself; the stream, the tach and the load cell go on meanwhile."""
    rotor = stand.plant
    assert isinstance(rotor, ScriptedRotor)
    rotor.rpm = 12_000
    talk = Talk(stand)
    talk.identify()
    listener = Listener(stand)
    for round_number in range(20):
        burst = b"".join(frame(Pitch(1500), 5 * round_number + i) for i in range(5))
        assert len(burst) <= 54
        answers = listener.feed(burst, 0.013 + 0.0001 * round_number)
        assert [answer.command_sequence for answer in answers] == [5 * round_number + i for i in range(5)]
    counters = stand.counters
    assert counters["receive_lost"] == 0 and listener.bad_frames() == 0
