"""How often an armed session trips on a busy computer, and with which words, at the default limits.

A simulated device behind a pseudo-terminal, in a process of its own, ahead of everything as hardware would be; a live
session with its recorder and a surface that gives its sign of life every 50 ms; N processes beside that keep a core
busy each. A session that ends is told and followed by the next, until the time is over.
Run: python tests/benchmarks/session/busy_computer.py [seconds] [busy processes ...]
"""

from __future__ import annotations

import contextlib
import functools
import multiprocessing
import multiprocessing.synchronize
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "session"))
from cleared_set import cleared

from whirlbench.link.port import SerialPort
from whirlbench.rig.toml import example_rig_text
from whirlbench.session.engine import CommandKind, Ending, Outcome
from whirlbench.session.process import SessionSpec, WillingOperator, start
from whirlbench.session.process.operating_system import REAL_TIME

DEVICE = Path(__file__).parents[2] / "system" / "device_process.py"
RIG_TEXT = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
PLAN_TEXT = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 3000\n'
TURN_S = 0.05


def keep_busy(stop: multiprocessing.synchronize.Event) -> None:
    """Keeps one core busy until stopped."""
    while not stop.is_set():
        sum(range(100_000))


def first_in_line() -> None:
    """For the device: hardware of its own waits for nobody."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REAL_TIME + 1))


def run_once(folder: Path, until_s: float) -> tuple[Outcome | None, float]:
    """One session, to its end or until the time is over (then None); and for how long it was live."""
    rig = folder / "rig.toml"
    rig.write_text(RIG_TEXT, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, str(DEVICE), str(rig), "1"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=first_in_line,
    ) as device:
        assert device.stdout is not None
        spec = SessionSpec(
            RIG_TEXT,
            functools.partial(SerialPort, device.stdout.readline().strip()),
            PLAN_TEXT,
            str(folder / f"{time.monotonic()}.h5"),
            clearance=cleared(RIG_TEXT),
        )
        found = supervise(spec, until_s)
        device.kill()
    return found


def supervise(spec: SessionSpec, until_s: float) -> tuple[Outcome | None, float]:
    """The surface: arms, starts, and finishes when the time is over."""
    operator, live_s, over = WillingOperator(), 0.0, False
    with start(spec) as session:
        while (outcome := session.outcome()) is None:
            session.heard()
            progress = session.state()
            live_s += TURN_S if progress.state in ("armed", "turning") else 0.0
            for command in operator.commands(progress):
                session.command(command)
            if time.monotonic() > until_s and not over:
                over = True
                session.command(CommandKind.FINISH)
            time.sleep(TURN_S)
        session.join()
    return (None if over and outcome.ending is Ending.DONE else outcome), live_s


def main() -> None:
    """Prints how each session ended."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    for busy in [int(argument) for argument in sys.argv[2:]] or [0, 2, 4]:
        context = multiprocessing.get_context("fork")
        stop = context.Event()
        beside = [context.Process(target=keep_busy, args=(stop,)) for _ in range(busy)]
        for process in beside:
            process.start()
        until_s, live_s, endings = time.monotonic() + seconds, 0.0, []
        with tempfile.TemporaryDirectory() as folder:
            while time.monotonic() < until_s:
                outcome, lasted_s = run_once(Path(folder), until_s)
                live_s += lasted_s
                endings += [f"{outcome.ending}: {outcome.reason}"] if outcome is not None else []
        stop.set()
        for process in beside:
            process.join()
        print(f"{busy} busy processes beside: live for {live_s:.0f} of {seconds:.0f} s, ended {len(endings)} times")
        for ending in endings:
            print(f"  {ending}", flush=True)


if __name__ == "__main__":
    main()
