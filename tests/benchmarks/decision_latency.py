"""From the instant a sample is put on the line to the decision about it, in the session's own loop.

A scripted device in another process writes 500 slow samples a second, each dated right before it is written, with
vibration blocks between them, through a pseudo-terminal. The session's loop (port, engine with all rules live,
recorder, live view) notes, after each engine step, how old the samples are by then. Beside it run N processes that
keep a core busy each. Run: python tests/benchmarks/decision_latency.py [seconds]
"""

from __future__ import annotations

import contextlib
import functools
import multiprocessing
import multiprocessing.synchronize
import os
import sys
import tempfile
import time
import tty
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import checksum, start_values
from whirlbench.link.messages import (
    Ack,
    Arm,
    Hello,
    Identify,
    Limits,
    Message,
    ReadLimits,
    SetLimit,
    Slow,
    State,
    Tach,
    Vibration,
)
from whirlbench.link.port import SerialPort
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Actions, Command, CommandKind, Ending, Engine, Outcome, Phase
from whirlbench.session.process import SessionSpec, SharedView
from whirlbench.session.process.loop import SessionLoop
from whirlbench.session.process.operating_system import ask_for_priority
from whirlbench.session.process.recorder import Recorder

U32 = 0xFFFFFFFF
PERIOD_S = 0.002


class ScriptedDevice:
    """Just enough of a device to be armed; everything it measures stands still."""

    def __init__(self) -> None:
        self.values = list(start_values())
        self.state = State.LOCKED
        self.unframer, self.sequence = Unframer(), 0
        self.samples = self.edges = 0

    def answer(self, data: bytes) -> bytes:
        """Replies to the commands in ``data``."""
        return b"".join(self._answer(number, message) for number, message in self.unframer.feed_numbered(data))

    def _answer(self, number: int, message: Message) -> bytes:
        out: list[Message] = []
        if isinstance(message, Identify):
            out = [
                Hello(2, 3, 1, 0, 1, len(CHANNEL_TABLE), 0, now_us(), 0, 500, 1600, 3, self.state, 0),
                *CHANNEL_TABLE,
            ]
        elif isinstance(message, SetLimit):
            self.values[message.limit] = message.value
        elif isinstance(message, ReadLimits):
            out = [Limits(checksum(self.values), tuple(self.values))]
        elif isinstance(message, Arm):
            self.state = State.ARMED
        return self.send(*out, Ack(message.TYPE, number, 0, 0))

    def telemetry(self, turn: int) -> bytes:
        """What is due in this turn; the slow sample comes last, dated as late as can be."""
        out: list[Message] = []
        if turn % 5 == 0:
            out.append(Vibration(now_us(), 625_000, self.samples, 3, bytes(96)))
            self.samples += 16
        if turn % 10 == 0:
            out.append(Tach(self.edges, 0, (now_us(), (now_us() + 10_000) & U32)))
            self.edges += 2
        slow = Slow(now_us(), 24_000, 600, 800, 300, 84_100, 1000, 1400, 0, self.state, 0, 5000, 3, 0)
        return self.send(*out, slow)

    def send(self, *messages: Message) -> bytes:
        """Frames with running sequence numbers."""
        frames = []
        for message in messages:
            frames.append(frame(message, self.sequence))
            self.sequence = (self.sequence + 1) & 0xFF
        return b"".join(frames)


def now_us() -> int:
    """The computer's monotonic clock as a device's counter: both processes read the same one."""
    return int(time.monotonic() * 1e6) & U32


def device_process(master: int, stop: multiprocessing.synchronize.Event) -> None:
    """Writes telemetry every 2 ms until stopped."""
    os.set_blocking(master, False)
    device, turn, due_s = ScriptedDevice(), 0, time.monotonic()
    while not stop.is_set():
        time.sleep(max(0.0, due_s - time.monotonic()))
        due_s, turn = due_s + PERIOD_S, turn + 1
        with contextlib.suppress(BlockingIOError):
            os.write(master, device.answer(os.read(master, 4096)))
        with contextlib.suppress(BlockingIOError):
            os.write(master, device.telemetry(turn))


def busy_process(stop: multiprocessing.synchronize.Event) -> None:
    """Keeps one core busy, as a window that draws without pause would."""
    os.nice(10)
    values = np.random.default_rng(0).random(200_000)
    while not stop.is_set():
        np.sort(values)


class StopwatchEngine(Engine):
    """An engine that notes, when a step is over, how old the newest sample in it is."""

    def __init__(self, rig: Rig) -> None:
        super().__init__(rig, keep_open=True)
        self.ages_ms: list[float] = []
        self._newest = Unframer()

    def step(self, now_s: float, data: bytes, commands: Sequence[Command] = (), surface_age_s: float = 0.0) -> Actions:
        """The step itself, then a look at the clock."""
        actions = super().step(now_s, data, commands, surface_age_s)
        decided_us = now_us()
        slow = [message for message in self._newest.feed(data) if isinstance(message, Slow)]
        if slow and self.phase is Phase.RUNNING:
            self.ages_ms += [((decided_us - message.time_us) & U32) / 1e3 for message in slow]
        return actions


def measure(busy: int, seconds: float) -> np.ndarray:
    """Ages in ms of the samples decided upon within ``seconds`` of a live session."""
    context = multiprocessing.get_context("fork")
    stop = context.Event()
    master, slave = os.openpty()
    tty.setraw(slave)
    helpers = [context.Process(target=busy_process, args=(stop,)) for _ in range(busy)]
    helpers.append(context.Process(target=device_process, args=(master, stop)))
    for helper in helpers:
        helper.start()
    view = SharedView()
    try:
        with tempfile.TemporaryDirectory() as folder:
            return run_session(os.ttyname(slave), view, Path(folder) / "run.h5", seconds)
    finally:
        stop.set()
        for helper in helpers:
            helper.join()
        view.close()
        view.unlink()
        os.close(master)
        os.close(slave)


def run_session(port_path: str, view: SharedView, recording: Path, seconds: float) -> np.ndarray:
    """The session's real loop in this process, ended after ``seconds``."""
    rig_text = example_rig_text()
    spec = SessionSpec(rig_text, functools.partial(SerialPort, port_path), recording=str(recording), keep_open=True)
    engine, port = StopwatchEngine(parse_rig(rig_text)), spec.open_port()
    receiving, sending = multiprocessing.Pipe(duplex=False)
    recorder = Recorder(spec)
    loop = SessionLoop(engine, port, recorder, view, receiving)
    until_s, asked = time.monotonic() + seconds, False
    while time.monotonic() < until_s:
        view.heard()
        if engine.phase is Phase.READY and not asked:
            asked = True
            sending.send(Command(CommandKind.ARM))
        loop.turn()
        loop.sleep()
    port.close()
    recorder.close(Outcome(Ending.DONE))
    return np.array(engine.ages_ms)


def main() -> None:
    """Prints the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    ask_for_priority()  # for device and session; busy processes give it back
    print(f"{'busy beside':>12}{'samples':>9}{'p50 ms':>9}{'p99 ms':>9}{'p99.9 ms':>10}{'max ms':>9}")
    for busy in (0, 1, 2):
        ages_ms = measure(busy, seconds)
        p50, p99, p999, most = np.percentile(ages_ms, [50, 99, 99.9, 100])
        print(f"{busy:>12}{len(ages_ms):>9}{p50:>9.2f}{p99:>9.2f}{p999:>10.2f}{most:>9.2f}")


if __name__ == "__main__":
    main()
