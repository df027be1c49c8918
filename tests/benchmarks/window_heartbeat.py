"""Frame cost and heartbeat in one run: `python tests/benchmarks/window_heartbeat.py [SECONDS] [BUSY PROCESSES]`.

The whole program as it is used: the window with a live session in a process of its own, its recorder, and a simulated
device behind a pseudo-terminal (ahead of everything, as hardware would be), at the default limits, while so many
processes beside keep a core busy each. A session that trips is told and followed by the next. Told: trips, the longest
time between two heartbeats at the device while it was armed, between two frames of the window, the processor time of
window and session, and, with the same processes beside, the table of `window_frames.py`. A session that ended just
after the computer itself had stood still (`session/standstills.py`) is told as such: no program can prevent that.
"""

from __future__ import annotations

import contextlib
import functools
import multiprocessing
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")
TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "session"), str(TESTS / "session")]
sys.path.append(str(TESTS / "system"))
SECONDS, BUSY = 600.0, 4
SIZE = (1280, 900)
LOOK_FRAMES = 30  # between two looks at the processor time
BEFORE_S, AFTER_S = 2.5, 0.5  # a standstill that counts for an end: the session looks back 2 s before it arms
LEAST_GAP_US = 15_000  # of what the device tells
from standstills import Watch, watched  # noqa: E402 - beside this file

TICK_S = os.sysconf("SC_CLK_TCK") ** -1


def device() -> None:
    """The device's process: as in the tests, and it tells the long gaps between heartbeats."""
    import device_process

    from whirlbench.safety.device_rules import HeartbeatRule

    plain = HeartbeatRule.heard

    def heard(rule: HeartbeatRule, now_us: int) -> None:
        gap_us = rule.silence_us(now_us)
        if gap_us is not None and gap_us > LEAST_GAP_US:
            print(f"{time.monotonic():.4f} GAP {gap_us / 1e3:.1f}", flush=True)
        plain(rule, now_us)

    HeartbeatRule.heard = heard  # type: ignore[method-assign]
    device_process.main()


@dataclass
class Told:
    """What the device said: long gaps between heartbeats while it was armed or turning, in ms."""

    guarded: bool = False
    gaps_ms: list[float] = field(default_factory=list)

    def listen(self, stream: Any) -> None:
        """Line by line, until the device ends."""
        for line in stream:
            _, word, figure = line.split()
            if word == "GAP" and self.guarded:
                self.gaps_ms.append(float(figure))
            elif word != "GAP":
                self.guarded = word in ("ARMED", "TURNING")


@dataclass
class Run:
    """One session: for how long it was live, its frames, the processor time of window and session, and its end."""

    live_s: float = 0.0
    frames_s: list[float] = field(default_factory=list)
    window_s: float = 0.0
    session_s: float = 0.0
    wall_s: float = 0.0
    safe_until_s: float = 0.0  # when it was last seen armed or turning; its end when it never was
    end: str = ""


def processor_s(root: int, but: set[int]) -> float:
    """Processor time of the descendants of a process, without those of ``but``; of Linux."""
    parents, spent = {}, {}
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            words = (entry / "stat").read_text().rsplit(") ", 1)[1].split()
            parents[int(entry.name)], spent[int(entry.name)] = int(words[1]), int(words[11]) + int(words[12])
    below, new = set(), {root}
    while new:
        new = {pid for pid, parent in parents.items() if parent in new and pid not in but}
        below |= new
    return sum(spent[pid] for pid in below) * TICK_S


def session(app: Any, folder: Path, until_s: float, told: Told, beside: set[int]) -> Run:
    """A window on a session until that ends or the time is over."""
    from busy_computer import PLAN_TEXT, RIG_TEXT, first_in_line
    from cleared_set import cleared, fitted

    from whirlbench.link.port import SerialPort
    from whirlbench.rig.toml import parse_rig
    from whirlbench.session.process import SessionSpec, start
    from whirlbench.window.main_window import MainWindow

    rig = folder / "rig.toml"
    rig.write_text(RIG_TEXT, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, __file__, "--device", str(rig), "1"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        preexec_fn=first_in_line,
    ) as stand:  # fmt: skip
        assert stand.stdout is not None
        port = functools.partial(SerialPort, stand.stdout.readline().strip())
        listener = threading.Thread(target=told.listen, args=(stand.stdout,))
        listener.start()
        recording = folder / f"{time.monotonic()}.h5"
        window, handle = (
            MainWindow(),
            start(SessionSpec(RIG_TEXT, port, PLAN_TEXT, str(recording), clearance=cleared(RIG_TEXT))),
        )
        window.show_session(handle, parse_rig(RIG_TEXT), recording, fitted(RIG_TEXT, folder))
        window.resize(*SIZE)
        window.show()
        found = _follow(app, window, handle, until_s, beside | {stand.pid})
        window.close()
        app.processEvents()
        stand.kill()
        listener.join()
    return found


def _follow(app: Any, window: Any, handle: Any, until_s: float, beside: set[int]) -> Run:
    """The operator arms and starts; figures are taken from the first turn of the shaft on."""
    from PyQt5 import QtCore

    from whirlbench.session.engine import CommandKind
    from whirlbench.session.process import WillingOperator

    operator, found, begun = WillingOperator(), Run(), []
    loop, over = QtCore.QEventLoop(), []

    def spent_s() -> tuple[float, float, float]:
        return time.process_time(), processor_s(os.getpid(), beside), time.monotonic()

    def follow(state: Any) -> None:
        now_s = time.monotonic()
        if not over:
            found.frames_s.append(now_s)
        if state.state() in ("armed", "turning"):
            found.safe_until_s = now_s
        for command in operator.commands(state.progress):
            handle.command(command)
        if state.state() == "turning" and not begun:
            found.frames_s.clear()
            begun.append(spent_s())
        if not over and len(found.frames_s) % LOOK_FRAMES == 0:
            _take(found, begun, spent_s())  # a session that has ended takes its figure with it
        if now_s > until_s and not over:
            over.append(state.state())
            handle.command(CommandKind.FINISH)

    window.bridge.changed.connect(follow)
    window.bridge.ended.connect(loop.quit)
    loop.exec_()
    if not over:
        outcome = handle.outcome()
        found.end = f"{outcome.ending}: {outcome.reason}"
        found.safe_until_s = found.safe_until_s or time.monotonic()
    return found


def _take(found: Run, begun: list[tuple[float, float, float]], now: tuple[float, float, float]) -> None:
    """What was spent since the shaft began to turn."""
    if begun:
        spent = [after - before for after, before in zip(now, begun[0], strict=True)]
        found.window_s, found.session_s, found.wall_s = spent


def main() -> None:
    """Prints the table."""
    if "--device" in sys.argv:
        sys.argv.remove("--device")
        device()
        return
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    busy = int(sys.argv[2]) if len(sys.argv) > 2 else BUSY
    with watched() as watch, _beside(busy) as beside:
        from PyQt5 import QtWidgets

        from whirlbench.window.drawing import palette

        app = QtWidgets.QApplication([])
        app.setStyleSheet(palette.style_sheet())
        runs, told, until_s = [], Told(), time.monotonic() + seconds
        with tempfile.TemporaryDirectory() as folder:
            while time.monotonic() < until_s:
                runs.append(session(app, Path(folder), until_s, told, beside))
        import window_frames

        frames = window_frames.table(app, rounds=2)
    print(*_lines(runs, told, seconds, busy), *_ends(runs, watch), *frames, sep="\n")


@contextlib.contextmanager
def _beside(busy: int) -> Any:
    """Busy processes, by their numbers."""
    from busy_computer import keep_busy

    context = multiprocessing.get_context("fork")
    stop = context.Event()
    processes = [context.Process(target=keep_busy, args=(stop,)) for _ in range(busy)]
    for process in processes:
        process.start()
    try:
        yield {process.pid for process in processes}
    finally:
        stop.set()
        for process in processes:
            process.join()


def _ends(runs: list[Run], watch: Watch) -> list[str]:
    """What ended sessions: the program's own first, then what came with a standstill of the computer."""
    ends = [
        (bool(watch.near(run.safe_until_s - BEFORE_S, run.safe_until_s + AFTER_S)), run.end) for run in runs if run.end
    ]
    own = [end for stood, end in ends if not stood]
    lines = [
        f"{len(own)} of {len(ends)} ends without a standstill of the computer beside them",
        *(f"  {end}" for end in own),
    ]
    return [*lines, watch.told(), *(f"  {end}" for stood, end in ends if stood)]


def _lines(runs: list[Run], told: Told, seconds: float, busy: int) -> list[str]:
    live_s = sum(run.wall_s for run in runs)
    ends = [run.end for run in runs if run.end]
    gaps_s = [after - before for run in runs for before, after in zip(run.frames_s, run.frames_s[1:], strict=False)]
    frames = max(len(gaps_s), 1)
    window_s, session_s = sum(run.window_s for run in runs), sum(run.session_s for run in runs)
    shares: list[tuple[str, Callable[[], float]]] = [
        ("cores of the window", lambda: window_s / live_s),
        ("cores of session and recorder", lambda: session_s / live_s),
        ("cores together (asked: 0.5)", lambda: (window_s + session_s) / live_s),
        ("longest time between heartbeats, ms", lambda: max(told.gaps_ms, default=0.0)),
        ("longest time between frames, ms", lambda: 1e3 * max(gaps_s, default=0.0)),
        ("frames a second", lambda: frames / live_s),
        ("processor ms a frame, everything in", lambda: 1e3 * window_s / frames),
    ]
    lines = [f"{busy} busy processes beside: turning for {live_s:.0f} of {seconds:.0f} s, ended {len(ends)} times"]
    return lines + [f"{name:40}{figure():8.2f}" for name, figure in shares if live_s]


if __name__ == "__main__":
    main()
