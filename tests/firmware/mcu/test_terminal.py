"""The simulated stand as a process with a pseudo-terminal: opens like any port, keeps time, leaves nothing behind."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable

import pytest
from mcu_process import McuProcess

from whirlbench.errors import LinkError
from whirlbench.link.conversation import Conversation
from whirlbench.link.messages import Heartbeat, Message, Slow
from whirlbench.link.port import SerialPort


def talk(port: SerialPort, conversation: Conversation, until: Callable[[list[Message]], bool]) -> list[Message]:
    """Messages up to the first moment at which ``until`` holds; AssertionError after half a minute."""
    heard: list[Message] = []
    end_s = time.monotonic() + 30.0
    while not until(heard):
        assert time.monotonic() < end_s, f"{len(heard)} messages, {conversation.counters}"
        port.write(conversation.due(time.monotonic()))
        port.wait(0.02)
        heard += conversation.receive(port.read(), time.monotonic())
    return heard


def slow_span_s(messages: list[Message]) -> float:
    times_us = [message.time_us for message in messages if isinstance(message, Slow)]
    return (times_us[-1] - times_us[0]) * 1e-6 if times_us else 0.0


def test_it_opens_like_any_port_and_keeps_real_time() -> None:
    with McuProcess("atmega2560") as device, SerialPort(device.path) as port:
        conversation = Conversation()
        talk(port, conversation, lambda _: conversation.identified)
        began_s = time.monotonic()
        heard = talk(port, conversation, lambda messages: slow_span_s(messages) > 1.0)
        assert time.monotonic() - began_s > 0.9  # never ahead of real time; how far behind is up to the computer
        conversation.send(Heartbeat(1))
        talk(port, conversation, lambda _: conversation.idle)
        counters = conversation.counters
        assert (counters.bad, counters.unknown) == (0, 0)
        assert len(heard) > 400
    assert device.process.returncode == 0
    assert device.counters["bytes_unfetched"] == 0 and device.counters["stray_pulses"] == 0


def test_two_listeners_one_after_the_other() -> None:
    with McuProcess("atmega328p") as device:
        for _ in range(2):
            with SerialPort(device.path) as port:
                conversation = Conversation()
                talk(port, conversation, lambda _, now=conversation: now.identified)  # type: ignore[misc]
            time.sleep(0.1)
    assert device.counters["bytes_unheard"] > 0  # what was said while nobody listened
    assert device.process.returncode == 0


def test_it_ends_by_itself_after_its_time_and_faster_than_real_time() -> None:
    began_s = time.monotonic()
    with McuProcess("atmega2560", "--speed", "0", "--duration-s", "2") as device:
        device.process.wait(20)
    assert time.monotonic() - began_s < 20
    assert device.counters["transmitted"] > 40_000


def test_a_killed_device_is_a_vanished_port() -> None:
    with McuProcess("atmega2560") as device, SerialPort(device.path) as port:
        talk(port, Conversation(), lambda heard: len(heard) > 20)
        device.kill()
        with pytest.raises(LinkError, match="vanished"):
            for _ in range(100):
                port.read()
                time.sleep(0.01)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(number: signal.Signals) -> None:
    with McuProcess("atmega2560") as device:
        os.kill(device.process.pid, number)
        assert device.process.wait(10) == 0
    assert "tach_edges" in device.counters
