"""A pseudo-terminal that behaves like a serial adapter: raw, and silent towards nobody."""

from __future__ import annotations

import os
import pty
import select
import tty

CHUNK = 4096


class Terminal:
    """The far end of ``path``, which any serial library opens; use it as a context manager.

    While nobody has ``path`` open, what is sent goes nowhere, as on a cable without a computer. What a listener does
    not fetch in time is lost and counted in ``counters``, as in an adapter without flow control.
    """

    def __init__(self) -> None:
        self._end, near = pty.openpty()
        self.path = os.ttyname(near)
        tty.setraw(self._end)
        os.set_blocking(self._end, False)
        os.close(near)  # from now on a hang-up tells that nobody is listening
        self._poll = select.poll()
        self._poll.register(self._end, select.POLLIN | select.POLLOUT)
        self.counters = {"bytes_unheard": 0, "bytes_unfetched": 0}

    def receive(self) -> bytes:
        """Bytes that the listener wrote, without waiting."""
        if not self._state() & select.POLLIN:
            return b""
        try:
            return os.read(self._end, CHUNK)
        except (BlockingIOError, OSError):
            return b""  # the listener left between the two calls

    def send(self, data: bytes) -> None:
        """Bytes to the listener, without waiting."""
        if self._state() & select.POLLHUP:
            self.counters["bytes_unheard"] += len(data)
            return
        while data:
            try:
                data = data[os.write(self._end, data) :]
            except BlockingIOError:
                self.counters["bytes_unfetched"] += len(data)
                return

    def close(self) -> None:
        """Hangs up."""
        os.close(self._end)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _state(self) -> int:
        return dict(self._poll.poll(0)).get(self._end, 0)
