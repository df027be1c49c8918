"""What the session's processes ask of the operating system: their rank, and to be left alone by the terminal."""

from __future__ import annotations

import os
import signal

PRIORITY = -10  # the decision comes before any picture of it; half of what the system offers


def ask_for_priority() -> str:
    """Asks to be ahead of whatever draws; returns why that was not granted, empty when it was."""
    if not hasattr(os, "nice"):
        return "this system has no such priorities"
    try:
        os.nice(PRIORITY)
    except OSError as error:
        return f"the system says: {(error.strerror or str(error)).lower()}"
    return ""


def give_priority_back() -> None:
    """Takes the usual rank again, in a process that inherited a higher one."""
    if hasattr(os, "nice") and os.nice(0) < 0:
        os.nice(-PRIORITY)


def ignore_terminal_signals() -> None:
    """Ctrl-C and a closed terminal reach the whole group; what they mean is the surface's to say."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
