"""The conversation against a small scripted device, over links that lose and damage."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.errors import LinkError
from whirlbench.link.conversation import TRANSITIONS, Conversation, Happening, Phase, Restarted
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
    Abort,
    Ack,
    Arm,
    ChannelInfo,
    Heartbeat,
    Hello,
    Identify,
    Limits,
    Pitch,
    ReadLimits,
    Reset,
    Result,
    SetLimit,
    Slow,
    State,
    Throttle,
)

TURN_S = 0.01
PARTS = (3, 3900, 3, 0)  # of a simulated stand: accelerometer and load-cell converter, with their scales
ROWS = (
    ChannelInfo(0, 0x10, 32, b"period_ticks".ljust(16, b"\0"), b"ticks".ljust(8, b"\0")),
    ChannelInfo(1, 0x10, 16, b"current_counts".ljust(16, b"\0"), b"counts".ljust(8, b"\0")),
)


class ScriptedDevice:
    """Answers as PROTOCOL.md says; ``loses(direction)`` decides the fate of each chunk."""

    def __init__(self, version=PROTOCOL_VERSION, loses=lambda direction: False):
        self.version, self.loses = version, loses
        self.unframer = Unframer()
        self.sequence = 0
        self.time_us = 0
        self.state = State.LOCKED
        self.carried_out = []
        self.longest_burst = 0

    def hello(self):
        return Hello(self.version, 1, 0, 1, 1, len(ROWS), 7, self.time_us, 0, 500, 1600, 3, self.state, 0, *PARTS)

    def restart(self):
        self.sequence, self.time_us, self.state = 0, 1000, State.LOCKED

    def say(self, *messages):
        """Frames of ``messages`` that survive the link."""
        out = b""
        for message in messages:
            data = frame(message, self.sequence)
            self.sequence += 1
            out += b"" if self.loses("up") else data
        return out

    def exchange(self, data):
        self.longest_burst = max(self.longest_burst, len(data))
        self.time_us += round(TURN_S * 1e6)
        out = b""
        for sequence, command in self.unframer.feed_numbered(data):
            if not self.loses("down"):
                out += self.answer(sequence, command)
        return out

    def answer(self, sequence, command):
        if isinstance(command, Heartbeat):
            self.carried_out.append(command)
            return b""
        result, detail = self.carry_out(command)
        introduction = (self.hello(), *ROWS) if isinstance(command, Identify) and result == Result.DONE else ()
        return self.say(*introduction, Ack(command.TYPE, sequence & 0xFF, result, detail))

    def carry_out(self, command):
        if isinstance(command, Identify):
            same = command.protocol == self.version
            return (Result.DONE, 0) if same else (Result.WRONG_VERSION, self.version)
        if isinstance(command, Arm):
            if self.state != State.LOCKED:
                return Result.WRONG_STATE, self.state
            self.state = State.ARMED
        if isinstance(command, Abort):
            self.state = State.TRIPPED
        self.carried_out.append(command)
        return Result.DONE, 0


def converse(conversation, device, turns, now_s=0.0):
    """Runs ``turns`` of the loop; returns (messages received, time after)."""
    heard = []
    for _ in range(turns):
        heard += conversation.receive(device.exchange(conversation.due(now_s)), now_s)
        now_s += TURN_S
    return heard, now_s


def identified_pair(**settings):
    device, conversation = ScriptedDevice(**settings), Conversation()
    _, now_s = converse(conversation, device, 3)
    assert conversation.identified
    return device, conversation, now_s


def test_identifies_with_channel_table_and_then_sends_what_waited():
    device, conversation = ScriptedDevice(), Conversation()
    throttle = conversation.send(Throttle(1000))
    assert Unframer().feed(conversation.due(0.0)) == [Identify(PROTOCOL_VERSION)]
    assert conversation.due(0.1) == b""
    converse(conversation, device, 3, 0.3)
    assert conversation.identified
    assert conversation.hello.build_id == 7
    assert conversation.channels == ROWS
    assert throttle.done and conversation.idle


def test_another_version_is_refused_by_name_whether_told_by_answer_or_by_greeting():
    for version, data in ((1, None), (9, ScriptedDevice(version=9).say(ScriptedDevice(version=9).hello()))):
        device, conversation = ScriptedDevice(version=version), Conversation()
        with pytest.raises(LinkError, match=f"speaks protocol version {version}, this program speaks version 2"):
            conversation.receive(data or device.exchange(conversation.due(0.0)), 0.0)
        assert conversation.phase is Phase.REFUSED
        assert conversation.due(1.0) == b""
        with pytest.raises(LinkError, match="Arm cannot be sent"):
            conversation.send(Arm(0))


@pytest.mark.parametrize(
    ("noise", "expected"), [(b"", "not one byte came"), (b"\x13\x88noise", "bytes of noise came, no good frame")]
)
def test_nobody_there_is_one_clear_error_after_the_patience(noise, expected):
    conversation = Conversation(patience_s=2.0)
    knocks = 0
    with pytest.raises(LinkError, match=f"no device identified itself within 2 s: .*{expected}") as caught:
        for turn in range(6000):  # 60 s
            knocks += bool(conversation.due(turn * TURN_S))
            conversation.receive(noise, turn * TURN_S)
    assert "\n" not in str(caught.value)
    assert 7 <= knocks <= 9
    assert conversation.due(60.0) == b""


def test_sixty_seconds_of_random_noise_end_in_one_error_and_no_message():
    rng = random.Random(500)
    conversation = Conversation()
    heard, errors = [], []
    for turn in range(6000):
        try:
            conversation.due(turn * TURN_S)
        except LinkError as error:
            errors.append(str(error))
        heard += conversation.receive(rng.randbytes(500), turn * TURN_S)
    assert heard == []
    assert len(errors) == 1 and "bytes of noise" in errors[0]


@settings(max_examples=40)
@given(st.integers(0, 2**32), st.floats(0.0, 0.4))
def test_over_a_losing_link_every_command_is_done_in_order_or_replaced(seed, loss):
    rng = random.Random(seed)
    device = ScriptedDevice(loses=lambda direction: rng.random() < loss)
    conversation = Conversation(attempts=60, patience_s=60.0)
    limits = [conversation.send(SetLimit(slot, slot + 100)) for slot in range(17)]
    arm = conversation.send(Arm(5))
    pulses = [conversation.send(Throttle(1100 + index)) for index in range(5)]
    converse(conversation, device, 3000)
    assert conversation.idle
    assert all(exchange.done for exchange in (*limits, arm, pulses[-1]))
    assert all(exchange.dropped for exchange in pulses[:-1])
    order = [command for command in device.carried_out if not isinstance(command, Heartbeat)]
    assert {command for command in order[: order.index(Arm(5))]} >= {exchange.command for exchange in limits}
    assert device.longest_burst <= 54


def test_an_old_throttle_is_never_repeated_after_a_newer_one():
    fate = iter([True, False])  # the first Throttle is lost
    device, conversation, now_s = identified_pair()
    device.loses = lambda direction: direction == "down" and next(fate, False)
    conversation.send(Throttle(1500))
    _, now_s = converse(conversation, device, 1, now_s)
    conversation.send(Throttle(1000))
    converse(conversation, device, 60, now_s)
    assert device.carried_out == [Throttle(1000)]


def test_at_most_three_commands_and_54_bytes_are_unanswered():
    _, conversation, now_s = identified_pair()
    for slot in range(10):
        conversation.send(SetLimit(slot, 0xFFFFFFFF))
    first = conversation.due(now_s)
    assert len(Unframer().feed(first)) == 3 and len(first) <= 54
    assert conversation.due(now_s + 0.001) == b""


def test_the_abort_overtakes_and_drops_everything_and_is_repeated_without_end():
    device, conversation, now_s = identified_pair()
    waiting = [conversation.send(command) for command in (SetLimit(1, 1), Pitch(1500), Arm(1), Throttle(1300))]
    conversation.due(now_s)
    abort = conversation.send(Abort(4))
    assert all(exchange.dropped for exchange in waiting)
    sent = []
    for turn in range(2000):
        sent += Unframer().feed(conversation.due(now_s + turn * TURN_S))
    assert set(sent) == {Abort(4)} and len(sent) > 200
    converse(conversation, device, 10, now_s + 30.0)
    assert abort.done and device.state == State.TRIPPED and conversation.idle


def test_the_abort_leaves_even_before_identification():
    conversation = Conversation()
    conversation.send(Abort(4))
    assert Unframer().feed(conversation.due(0.0)) == [Abort(4)]


def test_arm_travels_alone():
    _, conversation, now_s = identified_pair()
    conversation.send(SetLimit(1, 1))
    conversation.send(Arm(1))
    conversation.send(Throttle(1200))
    assert Unframer().feed(conversation.due(now_s)) == [SetLimit(1, 1)]


def test_the_heartbeat_goes_at_once_ahead_of_commands_and_only_the_latest():
    _, conversation, now_s = identified_pair()
    conversation.send(Pitch(1500))
    conversation.send(Heartbeat(1))
    conversation.send(Heartbeat(2))
    assert Unframer().feed(conversation.due(now_s)) == [Heartbeat(2), Pitch(1500)]


def test_a_command_without_answer_is_named_once_and_the_rest_goes_on():
    device, conversation, now_s = identified_pair()
    lost = conversation.send(Pitch(1500))
    errors = []
    for turn in range(300):
        try:
            conversation.due(now_s + turn * TURN_S)
        except LinkError as error:
            errors.append(str(error))
    assert errors == ["Pitch stayed unanswered after 10 attempts; check cable and device"]
    assert lost.dropped
    after = conversation.send(Throttle(1000))
    converse(conversation, device, 10, now_s + 4.0)
    assert after.done


def test_a_refusal_is_told_with_its_reason():
    device, conversation, now_s = identified_pair()
    device.state = State.TRIPPED
    arm = conversation.send(Arm(1))
    converse(conversation, device, 3, now_s)
    assert not arm.done and not arm.pending
    assert arm.complaint() == "Arm: the device answered wrong state (the device is tripped)"


def test_a_repeated_arm_whose_first_answer_was_lost_counts_as_done():
    device, conversation, now_s = identified_pair()
    fate = iter([True])
    device.loses = lambda direction: direction == "up" and next(fate, False)
    arm = conversation.send(Arm(1))
    converse(conversation, device, 30, now_s)
    assert arm.attempts == 2 and arm.answer.result == Result.WRONG_STATE and arm.done


def test_an_unasked_hello_is_a_restart_and_the_device_is_identified_again():
    device, conversation, now_s = identified_pair()
    conversation.receive(device.say(Limits(1, (0,) * 17)), now_s)
    pending = conversation.send(Reset())
    conversation.due(now_s)
    device.restart()
    heard = conversation.receive(device.say(device.hello(), *ROWS), now_s)
    assert heard[0] == Restarted(device.hello()) and heard[1] == device.hello()
    assert pending.dropped and conversation.limits is None
    assert not conversation.identified and conversation.restarts == 1
    more, _ = converse(conversation, device, 40, now_s)
    assert conversation.identified and conversation.restarts == 1
    assert not any(isinstance(message, Restarted) for message in more)


def test_a_clock_that_runs_backwards_tells_of_a_restart_whose_hello_was_lost():
    device, conversation, now_s = identified_pair()
    slow = Slow(90_000_000, 0, 0, 0, 0, 0, 1000, 1500, 0, 0, 0, 5000, 3, 0)
    assert conversation.receive(device.say(slow), now_s) == [slow]
    device.restart()
    young = Slow(20_000, 0, 0, 0, 0, 0, 1000, 1500, 0, 0, 0, 5000, 3, 0)
    assert conversation.receive(device.say(young), now_s) == [Restarted(None), young]


def test_the_late_answer_to_a_second_knock_is_no_restart():
    device, conversation = ScriptedDevice(), Conversation()
    first, second = conversation.due(0.0), conversation.due(0.3)
    answers = device.exchange(first) + device.exchange(second)
    heard = conversation.receive(answers, 0.6)
    assert sum(isinstance(message, Hello) for message in heard) == 2
    assert conversation.identified and conversation.restarts == 0


def test_a_lost_row_of_the_channel_table_is_asked_for_again():
    fate = iter([False, True])  # of Hello, row, row, Ack the second is lost
    device = ScriptedDevice(loses=lambda direction: direction == "up" and next(fate, False))
    conversation = Conversation()
    _, now_s = converse(conversation, device, 5)
    assert not conversation.identified
    converse(conversation, device, 40, now_s)
    assert conversation.identified and conversation.channels == ROWS


def test_the_limits_echo_is_kept():
    device, conversation, now_s = identified_pair()
    conversation.send(ReadLimits())
    converse(conversation, device, 2, now_s)
    echo = Limits(0xCAFE, tuple(range(17)))
    conversation.receive(device.say(echo), now_s)
    assert conversation.limits == echo


def test_the_state_table_has_no_way_back_from_an_end():
    for (phase, _), after in TRANSITIONS.items():
        assert phase not in (Phase.REFUSED, Phase.UNHEARD)
        assert isinstance(after, Phase)
    reached = {after for after in TRANSITIONS.values()} | {Phase.KNOCKING}
    assert reached == set(Phase)
    assert {happening for _, happening in TRANSITIONS} == set(Happening)


@given(st.binary(max_size=2000), st.lists(st.integers(1, 200), max_size=30))
def test_any_bytes_in_any_chunks_are_harmless(noise, sizes):
    _, conversation, now_s = identified_pair()
    position = 0
    for size in sizes:
        assert conversation.receive(noise[position : position + size], now_s) == []
        conversation.due(now_s)
        position += size
