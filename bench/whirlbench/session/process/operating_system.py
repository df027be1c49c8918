"""What the session's processes ask of the operating system: their rank, and to be left alone by the terminal."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

PRIORITY = -10  # the decision comes before any picture of it; half of what the system offers
BESIDE_DECISION = PRIORITY // 2  # recorder and surface: behind the decision, ahead of other work
GROUP = Path("/proc/self/autogroup")  # of Linux: all that one terminal has started, "/autogroup-7 nice 0"
REAL_TIME = 1  # the least of its ranks: already ahead of all that is not real time
# What a terminal sends to its whole group: Ctrl-C, its own end, Ctrl-\, Ctrl-Z, reading or writing in the background.
TERMINAL_SIGNALS = ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGTTIN", "SIGTTOU")
ENDING_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # what asks a program to end


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
        os.nice(PRIORITY - os.nice(0))  # whatever the surface that started it had
    except OSError as error:
        return f"the system says: {(error.strerror or str(error)).lower()}"
    return ""


def step_behind() -> None:
    """Takes the rank half way between the decision and the usual one, from whichever was inherited.

    The recorder must not delay a decision, nor may whatever else the computer does make it late: what a session in real
    time starts is back at the usual rank, and beside other work a recorder there falls behind until it stops the run.
    """
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):  # not to be had: it stays where it is
            os.nice(BESIDE_DECISION - os.nice(0))


class SurfaceRank:
    """The rank of whatever gives the sign of life, window or terminal, for as long as a session needs one.

    A surface that other work keeps from its turn is silent, and the device cuts the power then. Taken and given back
    by the thread that is to have it. Where niceness counts only within a group, that group is ranked too.
    What is not permitted is left as it is, without a word: the session judges the silence itself, not its cause.
    """

    def __init__(self) -> None:
        self._before: int | None = None
        self._group_before: int | None = None
        with contextlib.suppress(OSError, AttributeError):  # not permitted; a system without niceness
            before = os.getpriority(os.PRIO_PROCESS, 0)
            if before > BESIDE_DECISION:
                os.setpriority(os.PRIO_PROCESS, 0, BESIDE_DECISION)
                self._before = before
        with contextlib.suppress(OSError, ValueError):  # no such groups, or words that nobody knows
            group = _group_niceness()
            if self._before is not None and group > BESIDE_DECISION:
                GROUP.write_text(str(BESIDE_DECISION), encoding="ascii")
                self._group_before = group

    def give_back(self) -> None:
        """As it was before; what somebody else has ranked anew since then stays."""
        with contextlib.suppress(OSError, ValueError):
            if self._group_before is not None and _group_niceness() == BESIDE_DECISION:
                GROUP.write_text(str(self._group_before), encoding="ascii")
        with contextlib.suppress(OSError):
            if self._before is not None and os.getpriority(os.PRIO_PROCESS, 0) == BESIDE_DECISION:
                os.setpriority(os.PRIO_PROCESS, 0, self._before)
        self._before = self._group_before = None


def _group_niceness() -> int:
    """Niceness of the group that this process was started in; OSError or ValueError where nothing tells."""
    return int(GROUP.read_text(encoding="ascii").rpartition(" ")[2])


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


def ignore_terminal_signals(*more: str) -> None:
    """Ctrl-C and a closed terminal reach the whole group; what they mean is the surface's to say.

    ``more`` names further signals to ignore. Ends what ``signals_held`` of the parent held back from them.
    """
    names = [name for name in (*TERMINAL_SIGNALS, *more) if hasattr(signal, name)]
    for name in names:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    release_signals(*names)


def release_signals(*names: str) -> None:
    """Lets the named signals through again, in a process that was started while they were held."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {getattr(signal, name) for name in names})


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """Holds back what would end a child before it has set its own signals; the parent gets it afterwards.

    A child inherits what is held and lets it through once it is ready. Where nothing can be held back (Windows), an
    interrupt is ignored meanwhile.
    """
    if hasattr(signal, "pthread_sigmask"):
        held = {getattr(signal, name) for name in ENDING_SIGNALS if hasattr(signal, name)}
        before = signal.pthread_sigmask(signal.SIG_BLOCK, held)
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        return
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)


class EndingRequests:
    """Notes Ctrl-C, a closed terminal, a shutdown while inside, so that whoever is inside cuts the power first.

    The handlers are set whatever was inherited: a script that starts a run in the background hands on an interrupt
    that is ignored. While ``interrupting`` a request also raises KeyboardInterrupt: it ends a question to the operator.
    """

    def __init__(self) -> None:
        self.interrupting = False
        self._count = self._taken = 0
        self._before: dict[int, Any] = {}

    def new(self) -> bool:
        """Whether something has asked for an end since the last look."""
        taken, self._taken = self._taken, self._count
        return self._count > taken

    def __enter__(self) -> EndingRequests:
        if threading.current_thread() is threading.main_thread():
            for name in ENDING_SIGNALS:
                number = getattr(signal, name, None)
                if number is not None:
                    self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)

    def _note(self, *_: object) -> None:
        self._count += 1
        if self.interrupting:
            raise KeyboardInterrupt


def waiting_at(connection: Connection) -> Callable[[], bool]:
    """Whether something waits at a connection, its end included: asked in every turn of the decision loop.

    ``Connection.poll`` builds what it asks with anew each time, a twelfth of a turn; where the system has ``poll`` that
    is built once.
    """
    if not hasattr(select, "poll"):
        return connection.poll
    poll = select.poll()
    poll.register(connection.fileno(), select.POLLIN)
    return lambda: bool(poll.poll(0))


def hush() -> None:
    """Closes this process's mouth: it reports through its pipe, and prints nothing."""
    silence = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(silence, stream)


def wake(pid: int | None) -> None:
    """Continues a stopped process, where processes can be stopped."""
    if pid is not None and hasattr(signal, "SIGCONT"):
        with contextlib.suppress(OSError):
            os.kill(pid, signal.SIGCONT)
