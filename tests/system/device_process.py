"""A simulated device behind a pseudo-terminal, in a process of its own: it outlives the session that talks to it.

Prints the path of the terminal, then a line for every change of the device's state: seconds of the monotonic clock and
the state. Arguments: rig, random seed, and, if wanted, the protocol version to claim. Ends at the end of its standard
input. "vanish" there closes the terminal.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
import tty
from pathlib import Path

import msgspec

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Hello, Message, State
from whirlbench.simulator.device.simulated_port import simulated_device

TURN_S = 0.001
MOST_LAG_S = 0.02


def main() -> None:
    device = simulated_device(Path(sys.argv[1]).read_text(encoding="utf-8"), int(sys.argv[2]))
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    print(os.ttyname(slave), flush=True)
    clock, state = Clock(), None
    speak = Foreigner(int(sys.argv[3])).translate if len(sys.argv) > 3 else lambda data: data
    while not select.select([sys.stdin], [], [], TURN_S)[0]:
        device_bytes = device.exchange(clock.now_s(), read(master))
        write(master, speak(device_bytes))
        if device.machine.state != state:
            state = device.machine.state
            print(f"{time.monotonic():.4f} {State(state).name}", flush=True)
    if sys.stdin.readline().strip() == "vanish":
        os.close(slave)
        os.close(master)
        sys.stdin.readline()


class Clock:
    """Real time, but on a computer too busy for it the lost time is given up: the device's clock just runs slow."""

    def __init__(self) -> None:
        self._offset_s = time.monotonic()
        self._latest_s = 0.0

    def now_s(self) -> float:
        """Seconds of the device's life, at most ``MOST_LAG_S`` after the last call."""
        ahead_s = time.monotonic() - self._offset_s - self._latest_s - MOST_LAG_S
        self._offset_s += max(0.0, ahead_s)
        self._latest_s = time.monotonic() - self._offset_s
        return self._latest_s


class Foreigner:
    """Makes a device claim another protocol version."""

    def __init__(self, protocol: int) -> None:
        self._protocol, self._unframer = protocol, Unframer()

    def translate(self, data: bytes) -> bytes:
        """The same frames, every Hello with the other version in it."""
        return b"".join(frame(self._changed(message), number) for number, message in self._unframer.feed_numbered(data))

    def _changed(self, message: Message) -> Message:
        return msgspec.structs.replace(message, protocol=self._protocol) if isinstance(message, Hello) else message


def read(master: int) -> bytes:
    try:
        return os.read(master, 4096)
    except BlockingIOError:
        return b""


def write(master: int, data: bytes) -> None:
    """What does not fit is lost, as on a line that nobody reads."""
    with contextlib.suppress(BlockingIOError):
        os.write(master, data)


if __name__ == "__main__":
    main()
