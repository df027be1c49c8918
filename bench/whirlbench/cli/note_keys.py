"""Notes typed while a run is under way: one key opens a line, and nothing ever waits for the keyboard."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, TextIO

NOTE_KEY = "n"
ENTER, ESCAPE, ERASERS = "\r\n", "\x1b", "\x7f\b"
LONGEST_NOTE = 500  # characters
HINT = "n: a note on this moment"
MOST_BYTES = 256  # that one look takes: what is pasted comes piece by piece


class NoteLine:
    """The line that is being typed; ``text`` is None while none is open."""

    def __init__(self) -> None:
        self.text: str | None = None
        self._opened_s = 0.0

    def feed(self, keys: str, time_s: float) -> tuple[str, ...]:
        """Takes ``keys`` pressed at ``time_s`` of the run; returns the notes that Enter ended, empty ones left out.

        A note tells when its key was pressed: typing takes a while, and what it is about was seen before. Escape drops
        the line; keys that print nothing are left out.
        """
        return tuple(note for key in keys for note in self._key(key, time_s))

    def _key(self, key: str, time_s: float) -> Iterator[str]:
        if self.text is None:
            if key == NOTE_KEY:
                self.text, self._opened_s = "", time_s
        elif key in ENTER:
            if self.text.strip():
                yield f"{self.text.strip()} (seen at {self._opened_s:.1f} s)"
            self.text = None
        elif key == ESCAPE:
            self.text = None
        elif key in ERASERS:
            self.text = self.text[:-1]
        elif key.isprintable() and len(self.text) < LONGEST_NOTE:
            self.text += key

    @property
    def shown(self) -> str:
        """What stands under the readings: the open line, or how to open one."""
        return (
            f"{HINT} (Ctrl-C cuts the power)" if self.text is None else f"note (Enter keeps, Esc drops): {self.text}_"
        )


class Keyboard:
    """Keys of the terminal as they are pressed, without echo; a context manager. None where there is no terminal.

    Signals stay what they are: Ctrl-C cuts the power, whatever is being typed.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream if stream is not None else sys.stdin
        self._before: Any = None  # attributes of the terminal as it was
        self._rest = b""  # of a character whose last bytes are not there yet

    def pressed(self) -> str:
        """What was pressed since the last look; never waits, and never reads from the background."""
        if sys.platform == "win32":
            return _windows_keys() if self._stream.isatty() else ""
        if self._before is None or not self._in_foreground():
            return ""
        import select

        try:
            if not select.select([self._stream], [], [], 0.0)[0]:
                return ""
            self._rest += os.read(self._stream.fileno(), MOST_BYTES)
        except OSError:  # the terminal is gone: whoever watches it is told by the system
            self._before = None
            return ""
        text = self._rest.decode("utf-8", "ignore")
        whole = len(text.encode("utf-8"))
        self._rest = self._rest[whole:] if len(self._rest) - whole < 4 else b""
        return text

    @contextmanager
    def given_back(self) -> Iterator[None]:
        """The terminal as it was, for a question to the operator."""
        self.__exit__()
        try:
            yield
        finally:
            self.__enter__()

    def __enter__(self) -> Keyboard:
        if sys.platform != "win32" and self._stream.isatty() and self._in_foreground():
            import termios
            import tty

            with suppress(termios.error):
                before = termios.tcgetattr(self._stream)
                tty.setcbreak(self._stream, termios.TCSANOW)
                self._before = before
        return self

    def __exit__(self, *_: object) -> None:
        if sys.platform != "win32" and self._before is not None:
            import termios

            with suppress(termios.error):
                termios.tcsetattr(self._stream, termios.TCSANOW, self._before)
            self._before = None

    def _in_foreground(self) -> bool:
        """Whether reading would not stop this process: from the background the system stops who reads."""
        try:
            return sys.platform != "win32" and os.tcgetpgrp(self._stream.fileno()) == os.getpgrp()
        except OSError:
            return False


def _windows_keys() -> str:
    keys = ""
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            keys += msvcrt.getwch()
    return keys
