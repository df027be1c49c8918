"""A simulated device behind a pseudo-terminal, in a process of its own: it outlives the session that talks to it.

Prints the path of the terminal, then a line for every change of the device's state: seconds of the monotonic clock,
the state, and seconds of the device's own clock. Arguments: rig, random seed, and, if wanted, the protocol version to
claim and the path of a link to the terminal. Ends at the end of its standard input, or at a word it does not know.
"time" there prints a line as if the state had changed, "vanish" closes the terminal, "return" opens another one under
the same link; meanwhile the device lives on, and hears nobody.
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

TURN_S = 0.002
MOST_LAG_S = 0.02


def main() -> None:
    device = simulated_device(Path(sys.argv[1]).read_text(encoding="utf-8"), int(sys.argv[2]))
    terminal = Terminal(Path(sys.argv[4]) if len(sys.argv) > 4 else None)
    print(terminal.name, flush=True)
    clock, state = Clock(), None
    speak = Foreigner(int(sys.argv[3])).translate if len(sys.argv) > 3 and int(sys.argv[3]) else lambda data: data
    words = {"vanish": terminal.close, "return": terminal.open, "time": lambda: None}
    while True:
        now_s = clock.now_s()
        terminal.write(speak(device.exchange(now_s, terminal.read())))
        asked = bool(select.select([sys.stdin], [], [], TURN_S)[0])
        if asked:
            word = sys.stdin.readline().strip()
            if word not in words:
                return
            words[word]()
        if asked or device.machine.state != state:
            state = device.machine.state
            print(f"{time.monotonic():.4f} {State(state).name} {now_s:.4f}", flush=True)


class Terminal:
    """A pseudo-terminal that can be closed and opened again; ``link`` is a path that leads to the present one."""

    def __init__(self, link: Path | None) -> None:
        self._link = link
        self._master = self._slave = -1
        self.open()

    def open(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.name = os.ttyname(self._slave)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(self.name)

    def close(self) -> None:
        os.close(self._slave)
        os.close(self._master)
        self._master = -1
        if self._link is not None:
            self._link.unlink()

    def read(self) -> bytes:
        with contextlib.suppress(BlockingIOError):
            return os.read(self._master, 4096) if self._master >= 0 else b""
        return b""

    def write(self, data: bytes) -> None:
        """What does not fit is lost, as on a line that nobody reads."""
        with contextlib.suppress(BlockingIOError):
            if self._master >= 0:
                os.write(self._master, data)


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


if __name__ == "__main__":
    main()
