"""The serial port, nothing else: bytes out, and as many bytes in as are waiting.

``read`` never waits: on Windows it asks for no more than is there, elsewhere it takes what there is without asking
how much that is. Linux answers that question only under a lock, which the kernel's own worker, of no rank at all, may
hold while a busy computer lets it wait (measured: 60 to 700 ms). ``wait`` sleeps until something arrives. Every failure
of the port is a LinkError that names it.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import serial
from serial.tools import list_ports as port_lister

from whirlbench.errors import LinkError

BAUD = 500_000
WRITE_PATIENCE_S = 0.2  # a port that takes no bytes for so long is gone; the decision loop waits for it
AT_ONCE = 65_536  # bytes of one read: more than a second of the line; the rest comes with the next
POLL_S = 0.001  # where the system cannot wait for bytes (Windows)
FAILURES = (OSError, serial.SerialException, TypeError)  # pyserial lets a TypeError through after a hang-up


@dataclass(frozen=True)
class PortInfo:
    """One serial port and what is plugged into it; ``usb_id`` is "vid:pid" in hexadecimal, empty when it is not USB."""

    path: str
    description: str
    usb_id: str
    serial_number: str


def list_ports() -> tuple[PortInfo, ...]:
    """The serial ports of this computer, sorted by path; empty when there are none."""
    found = sorted(port_lister.comports(), key=lambda port: port.device)
    return tuple(
        PortInfo(
            path=port.device,
            description=port.description if port.description not in (None, "n/a") else "",
            usb_id=f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None else "",
            serial_number=port.serial_number or "",
        )
        for port in found
    )


class SerialPort:
    """An open serial port (or pseudo-terminal) at 500 kbaud, 8 bits, no parity, one stop bit, held exclusively."""

    def __init__(self, path: str) -> None:
        """Opens ``path``; LinkError names it and the reason when that fails."""
        self.path = path
        try:
            self._serial = serial.Serial(path, BAUD, timeout=0, write_timeout=WRITE_PATIENCE_S, exclusive=True)
        except (*FAILURES, ValueError) as error:
            raise LinkError(
                f"{path}: cannot be opened ({_reason(error)}); `whirlbench ports` lists what is plugged in"
            ) from error
        self._hung_up = hang_up_test(self._serial)

    def read(self) -> bytes:
        """All bytes that are waiting, ``b""`` when none are; a vanished port raises LinkError."""
        try:
            data = self._take()
            if data:
                return data
            if self._hung_up():
                raise OSError("the device hung up")
        except FAILURES as error:
            raise self._vanished(error) from error
        return b""

    def _take(self) -> bytes:
        if sys.platform == "win32":
            waiting = self._serial.in_waiting
            return bytes(self._serial.read(waiting)) if waiting else b""
        try:
            return os.read(self._serial.fileno(), AT_ONCE)
        except BlockingIOError:  # some systems say so when nothing waits, others give no bytes
            return b""

    def wait(self, timeout_s: float) -> bool:
        """Sleeps until bytes are waiting, at most ``timeout_s``; returns whether some are."""
        try:
            if sys.platform != "win32":
                return bool(select.select([self._serial.fileno()], [], [], timeout_s)[0])
            until_s = time.monotonic() + timeout_s
            while not self._serial.in_waiting and time.monotonic() < until_s:
                time.sleep(POLL_S)
            return bool(self._serial.in_waiting)
        except (*FAILURES, ValueError) as error:
            raise self._vanished(error) from error

    def write(self, data: bytes) -> None:
        """Sends all of ``data``; LinkError when the port vanished or takes nothing for 0.2 s."""
        if not data:
            return
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkError(f"{self.path}: took no bytes for {WRITE_PATIENCE_S:g} s; check the device") from error
        except FAILURES as error:
            raise self._vanished(error) from error

    def close(self) -> None:
        """Gives the port back; closing twice, or after it vanished, is harmless."""
        with contextlib.suppress(*FAILURES):  # of a port that vanished nothing is left to give back
            self._serial.close()

    def __enter__(self) -> SerialPort:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _vanished(self, error: Exception) -> LinkError:
        return LinkError(f"{self.path}: the port vanished ({_reason(error)}); check cable and power of the device")


def hang_up_test(port: serial.Serial) -> Callable[[], bool]:
    """Asks whether a port is dead that has no bytes waiting: on some systems it says so in no other way.

    ``poll`` reports errors and hang-ups unasked, but some systems answer POLLNVAL for every terminal; there a dead
    port is one that ``select`` calls readable although nothing waits. Where neither can look at a port (Windows),
    asking it how many bytes wait fails when it is gone.
    """
    if sys.platform == "win32":
        return lambda: False
    if hasattr(select, "poll"):
        poll = select.poll()
        poll.register(port.fileno(), 0)
        if not any(event & select.POLLNVAL for _, event in poll.poll(0)):
            return lambda: bool(poll.poll(0))
    return lambda: _readable_but_empty(port)


def _readable_but_empty(port: serial.Serial) -> bool:
    """A byte that came in between the two looks is seen by the second one."""
    return bool(select.select([port.fileno()], [], [], 0)[0]) and not port.in_waiting


def _reason(error: Exception) -> str:
    """The system's own words, without pyserial's wrapping."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return os.strerror(number).lower()
    return str(error).splitlines()[0] if str(error) else type(error).__name__
