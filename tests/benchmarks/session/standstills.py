"""When the computer itself stood still: what no program on it can prevent, told beside what the program did.

A process pinned to each core, ahead of everything, asks to be woken every 2 ms. Where even it is woken late, nothing
ran there, whatever its rank: mostly the host of a virtual machine, which gives its processors to somebody else; what
the kernel knows of that is told too.
Alone: python tests/benchmarks/session/standstills.py [seconds].
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

RANK = 3  # ahead of the device of these benchmarks, which is ahead of the session
TICK_S, LATE_S = 0.002, 0.006


@dataclass(frozen=True)
class Standstill:
    """One of one core: when it began and was over (monotonic, in s)."""

    begin_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """How long it lasted."""
        return self.end_s - self.begin_s


class Watch:
    """What was seen so far; complete once the watch is over."""

    def __init__(self) -> None:
        self.seen: list[Standstill] = []
        self.taken_s = 0.0

    def near(self, begin_s: float, end_s: float) -> list[Standstill]:
        """Those that touch a stretch of time."""
        return [each for each in self.seen if each.end_s >= begin_s and each.begin_s <= end_s]

    def told(self) -> str:
        """One line."""
        longest_ms = 1e3 * max((each.length_s for each in self.seen), default=0.0)
        return (
            f"a core stood still {len(self.seen)} times, up to {longest_ms:.0f} ms; "
            f"the kernel says {self.taken_s:.1f} s of its processors were taken away"
        )


@contextlib.contextmanager
def watched() -> Iterator[Watch]:
    """Watches while inside."""
    context = multiprocessing.get_context("fork")
    stop, watch, before_s = context.Event(), Watch(), _taken_s()
    pipes = [context.Pipe(duplex=False) for _ in range(os.cpu_count() or 1)]
    processes = [context.Process(target=_look, args=(core, stop, pipe[1])) for core, pipe in enumerate(pipes)]
    for process in processes:
        process.start()
    try:
        yield watch
    finally:
        stop.set()
        watch.seen = [each for ours, _ in pipes for each in ours.recv()]
        watch.taken_s = _taken_s() - before_s
        for process in processes:
            process.join()


def _look(core: int, stop: Any, answer: Any) -> None:
    with contextlib.suppress(OSError):
        os.sched_setaffinity(0, {core})
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(RANK))
    seen, before_s = [], time.monotonic()
    while not stop.is_set():
        time.sleep(TICK_S)
        now_s = time.monotonic()
        if now_s - before_s > LATE_S:
            seen.append(Standstill(before_s, now_s))
        before_s = now_s
    answer.send(seen)


def _taken_s() -> float:
    """Processor time that a host took, by the kernel's account since the start of the system."""
    first = Path("/proc/stat").read_text(encoding="ascii").splitlines()[0]
    return int(first.split()[8]) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    with watched() as found:
        time.sleep(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
    print(found.told())
