"""What the session's processes ask of the operating system: their rank, and to be left alone by the terminal."""

from __future__ import annotations

import os
import signal

NICE = -10  # the decision comes before any picture of it; half of what the system offers
REAL_TIME = 1  # the least of its ranks: already ahead of all that is not real time


def ask_for_priority() -> str:
    """Asks to be ahead of whatever draws; returns why that was not granted, empty when it was.

    Real time where the user may have it (a limit of the system, not a matter of being its administrator): a niceness
    counts only among the processes of one group, so that another program's group is not behind it. What is started
    from here is not in real time.
    """
    if join_real_time():
        return ""
    if not hasattr(os, "nice"):
        return "this system has no such priorities"
    try:
        os.nice(NICE)
    except OSError as error:
        return f"the system says: {(error.strerror or str(error)).lower()}"
    return ""


def join_real_time() -> bool:
    """Puts this thread into real time, where the user may have it; returns whether it is."""
    policy = getattr(os, "SCHED_FIFO", None)
    if policy is None or not hasattr(os, "SCHED_RESET_ON_FORK"):
        return False  # never without it: the recorder must not inherit the rank
    try:
        os.sched_setscheduler(0, policy | os.SCHED_RESET_ON_FORK, os.sched_param(REAL_TIME))
    except OSError:
        return False
    return True


def give_priority_back() -> None:
    """Takes the usual rank again, in a process that inherited a higher one."""
    if hasattr(os, "nice") and os.nice(0) < 0:
        os.nice(-NICE)


def ignore_terminal_signals() -> None:
    """Ctrl-C and a closed terminal reach the whole group; what they mean is the surface's to say."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
