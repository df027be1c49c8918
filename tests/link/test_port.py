"""The port on a pseudo-terminal: what waits is read, and a vanished port is named."""

import os
import random
import select
import sys
import threading
import time
from types import SimpleNamespace

import pytest

from whirlbench.errors import LinkError
from whirlbench.link import port as port_module
from whirlbench.link.conversation import Conversation
from whirlbench.link.port import SerialPort, hang_up_test, list_ports

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX systems")


@pytest.fixture
def pair():
    """(file of the device's end, open port on the other end)."""
    import tty

    device, host = os.openpty()
    tty.setraw(host)
    port = SerialPort(os.ttyname(host))
    os.close(host)
    with os.fdopen(device, "r+b", buffering=0) as device_file:
        yield device_file, port
    port.close()


def test_reads_just_what_waits_without_waiting(pair):
    device, port = pair
    began_s = time.perf_counter()
    assert port.read() == b""
    assert time.perf_counter() - began_s < 0.02
    device.write(b"\x00abc\xff")
    assert port.wait(1.0)
    assert port.read() == b"\x00abc\xff"


def test_writes_arrive_unchanged(pair):
    device, port = pair
    port.write(bytes(range(256)))
    port.write(b"")
    assert device.read(1000) == bytes(range(256))


def test_wait_ends_with_its_time_and_with_the_first_byte(pair):
    device, port = pair
    assert not port.wait(0.01)
    later = threading.Timer(0.05, device.write, (b"x",))
    later.start()
    began_s = time.perf_counter()
    assert port.wait(5.0)
    assert time.perf_counter() - began_s < 1.0
    later.join()


def test_a_vanished_port_is_named(pair):
    device, port = pair
    device.close()
    with pytest.raises(LinkError, match=rf"{port.path}: the port vanished \(.+\); check cable"):
        port.read()
    with pytest.raises(LinkError, match=port.path):
        port.write(b"x")
    port.close()


class NoPoll:
    """A poll as some systems have it: for a terminal it only answers that it cannot poll one."""

    def register(self, descriptor, events):
        self.descriptor = descriptor

    def poll(self, timeout_ms):
        return [(self.descriptor, select.POLLNVAL)]


@pytest.mark.parametrize("system", ["answers POLLNVAL", "has no poll"])
def test_where_terminals_cannot_be_polled_a_port_lives_until_it_vanishes(system, monkeypatch, request):
    if system == "has no poll":
        monkeypatch.delattr(select, "poll")
    else:
        monkeypatch.setattr(select, "poll", NoPoll)
    device, port = request.getfixturevalue("pair")
    assert port.read() == b"" and port.read() == b""
    device.write(b"abc")
    assert port.wait(1.0) and port.read() == b"abc"
    assert port.read() == b""
    device.close()
    with pytest.raises(LinkError, match=rf"{port.path}: the port vanished"):
        port.read()


def test_without_poll_a_dead_port_is_one_that_is_readable_and_empty(monkeypatch, pair):
    """On systems where a dead terminal keeps saying that no bytes wait, instead of failing."""
    device, port = pair
    monkeypatch.setattr(select, "poll", NoPoll)
    silent = SimpleNamespace(fileno=port._serial.fileno, in_waiting=0)
    test = hang_up_test(silent)
    assert not test()
    device.write(b"x")
    port.wait(1.0)
    silent.in_waiting = 1  # arrived after the first look
    assert not test()
    silent.in_waiting = 0
    assert test()


def test_windows_is_asked_neither_by_poll_nor_by_select(monkeypatch, pair):
    _, port = pair
    monkeypatch.setattr(port_module.sys, "platform", "win32")
    monkeypatch.setattr(select, "poll", None)
    monkeypatch.setattr(select, "select", None)
    assert hang_up_test(port._serial)() is False
    began_s = time.monotonic()
    assert not port.wait(0.02)
    assert time.monotonic() - began_s >= 0.02


def test_bytes_that_arrived_before_the_end_are_still_read_or_named(pair):
    device, port = pair
    device.write(b"last words")
    device.close()
    try:
        assert port.read() == b"last words"
    except LinkError as error:
        assert port.path in str(error)  # a system may throw them away with the terminal
    with pytest.raises(LinkError):
        port.read()


def test_a_port_that_takes_nothing_is_named(pair):
    _, port = pair
    with pytest.raises(LinkError, match="took no bytes for 0.2 s"):
        for _ in range(100):
            port.write(b"x" * 4096)


def test_a_path_that_is_no_port_is_one_clear_line(tmp_path):
    (tmp_path / "plain").write_text("no port")
    for path in (tmp_path / "absent", tmp_path / "plain"):
        with pytest.raises(LinkError, match=rf"{path}: cannot be opened") as caught:
            SerialPort(str(path))
        assert "\n" not in str(caught.value)


def test_pure_noise_on_a_port_is_one_clear_error(pair):
    device, port = pair
    rng = random.Random(8)
    conversation = Conversation(patience_s=0.4)
    began_s = time.monotonic()
    with pytest.raises(LinkError, match=r"no device identified itself within 0.4 s: \d+ bytes of noise came") as caught:
        while time.monotonic() - began_s < 20:
            device.write(rng.randbytes(200))
            port.wait(0.01)
            now_s = time.monotonic()
            assert conversation.receive(port.read(), now_s) == []
            port.write(conversation.due(now_s))
    assert "\n" not in str(caught.value)


def test_a_second_opening_is_refused(pair):
    _, port = pair
    with pytest.raises(LinkError, match="cannot be opened"):
        SerialPort(port.path)


def test_the_list_of_ports_says_what_is_plugged_in(monkeypatch):
    class Found:
        def __init__(self, device, description, vid=None, pid=None, serial_number=None):
            self.device, self.description = device, description
            self.vid, self.pid, self.serial_number = vid, pid, serial_number

    found = [Found("/dev/ttyS0", "n/a"), Found("/dev/ttyACM0", "Mega board", 0x2341, 0x42, "75")]
    monkeypatch.setattr(port_module.port_lister, "comports", lambda: found)
    first, second = list_ports()
    assert (first.path, first.description, first.usb_id, first.serial_number) == (
        "/dev/ttyACM0", "Mega board", "2341:0042", "75",
    )  # fmt: skip
    assert (second.description, second.usb_id) == ("", "")
