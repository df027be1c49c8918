"""From the instant a sample is put on the line to the decision about it: the session's own loop and a bare reader.

A scripted device in another process writes 500 slow samples a second, each dated right before it is written, with
vibration blocks between them, through a pseudo-terminal. The session's loop (port, engine with all rules live,
recorder, live view) notes, after each engine step, how old the samples are by then. The bare reader, of the same rank,
waits on the same pseudo-terminal, reads, and looks at the clock. Both take turns in rounds of some seconds, so that
whatever else the computer does meets both; what counts is their ratio. Beside them run N processes that keep a core
busy each. A watcher pinned to each core, ahead of everything, notes when that core stood still: no program ran on it,
whatever its rank (a virtual computer whose host is busy). Samples under way then are set apart, of both readers, and
counted; so the ratio is given with and without them. The second table says where the session's turns spend their time.
Run: python tests/benchmarks/decision_latency.py [seconds a round] [rounds] [--plain: without any priority]
"""

from __future__ import annotations

import contextlib
import functools
import gc
import multiprocessing
import multiprocessing.connection
import multiprocessing.synchronize
import os
import select
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import serial

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))
sys.path.insert(0, str(Path(__file__).parent / "session"))
from cleared_set import cleared
from standstills import Watch, watched

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
from whirlbench.session.process.operating_system import REAL_TIME, ask_for_priority
from whirlbench.session.process.recorder import Recorder
from whirlbench.session.process.turn_trace import TurnTrace

U32 = 0xFFFFFFFF
PERIOD_S = 0.002
SETTLING_S = 1.5  # before ages count: the recording process starts meanwhile
PATIENCE_S = 60.0
CLEARING_S = 0.02  # after it, until what piled up is read


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
                Hello(2, 3, 1, 0, 1, len(CHANNEL_TABLE), 0, now_us(), 0, 500, 1600, 3, self.state, 0, 3, 3900, 3, 0),
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
    """Writes telemetry every 2 ms until stopped; ahead of its readers, as a device of its own would be."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REAL_TIME + 1))
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
    values = np.random.default_rng(0).random(200_000)
    while not stop.is_set():
        np.sort(values)


class StopwatchEngine(Engine):
    """An engine that notes, when a step is over, how old the newest sample in it is."""

    def __init__(self, rig: Rig) -> None:
        super().__init__(rig, keep_open=True, clearance=cleared(rig))
        self.ages: list[tuple[float, float]] = []
        self._newest = Unframer()

    def step(self, now_s: float, data: bytes, commands: Sequence[Command] = (), surface_age_s: float = 0.0) -> Actions:
        """The step itself, then a look at the clock."""
        actions = super().step(now_s, data, commands, surface_age_s)
        decided_s = time.monotonic()
        if self.phase is Phase.RUNNING:
            self.ages += dated_ages(self._newest, data, decided_s)
        return actions


def dated_ages(unframer: Unframer, data: bytes, at_s: float) -> list[tuple[float, float]]:
    """For each slow sample in ``data``: when it was in hand (s), and how old it was by then (ms)."""
    at_us = int(at_s * 1e6) & U32
    slow = [message for message in unframer.feed(data) if isinstance(message, Slow)]
    return [(at_s, ((at_us - message.time_us) & U32) / 1e3) for message in slow]


@dataclass
class Findings:
    """Ages of samples, ms, of both readers round by round, and the session's stages in all rounds."""

    watch: Watch
    bare: list[np.ndarray] = field(default_factory=list)
    session: list[np.ndarray] = field(default_factory=list)
    stages: list[dict[str, np.ndarray]] = field(default_factory=list)
    endings: list[str] = field(default_factory=list)

    def moving(self, ages: np.ndarray) -> np.ndarray:
        """Ages (ms) of the samples that were not under way, nor about to be, while a core stood still."""
        from_s, to_s = ages[:, 0] - ages[:, 1] / 1e3, ages[:, 0]
        touched = np.zeros(len(ages), dtype=bool)
        for still in self.watch.seen:
            touched |= (from_s < still.end_s + CLEARING_S) & (to_s > still.begin_s)
        return ages[~touched, 1]


def measure(busy: int, seconds: float, rounds: int) -> Findings:
    """Bare reader and live session by turns, ``rounds`` times ``seconds`` each."""
    context = multiprocessing.get_context("fork")
    stop = context.Event()
    beside = [context.Process(target=busy_process, args=(stop,)) for _ in range(busy)]
    for process in beside:
        process.start()
    try:
        with watched() as watch:
            findings = Findings(watch)
            for _ in range(rounds):
                with scripted_line() as port_path:
                    findings.bare.append(read_bare(port_path, seconds))
                with scripted_line() as port_path:
                    run_session(port_path, seconds, findings)
    finally:
        stop.set()
        for process in beside:
            process.join()
    return findings


@contextlib.contextmanager
def scripted_line() -> Iterator[str]:
    """Path of a pseudo-terminal with the scripted device at its other end."""
    context = multiprocessing.get_context("fork")
    stop = context.Event()
    master, slave = os.openpty()
    tty.setraw(slave)
    device = context.Process(target=device_process, args=(master, stop))
    device.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        device.join()
        os.close(master)
        os.close(slave)


def read_bare(port_path: str, seconds: float) -> np.ndarray:
    """Ages of the samples at the instant their bytes are in hand, nothing being decided."""
    found: list[tuple[float, float]] = []
    unframer, until_s = Unframer(), time.monotonic() + seconds + SETTLING_S
    gc.collect()
    gc.disable()
    with serial.Serial(port_path, 500_000, timeout=0) as port:  # sets the line up, no more
        file_number = port.fileno()
        while (now_s := time.monotonic()) < until_s:
            select.select([file_number], [], [], 0.1)
            data, at_s = os.read(file_number, 65_536), time.monotonic()
            ages = dated_ages(unframer, data, at_s)
            if until_s - now_s < seconds:
                found += ages
    gc.enable()
    return np.array(found)


def run_session(port_path: str, seconds: float, findings: Findings) -> None:
    """The session's real loop in this process, ended ``seconds`` after the recorder has settled."""
    rig_text = example_rig_text()
    view, trace = SharedView(), TurnTrace()
    with tempfile.TemporaryDirectory() as folder:
        recording = str(Path(folder) / "run.h5")
        spec = SessionSpec(rig_text, functools.partial(SerialPort, port_path), recording=recording, keep_open=True)
        engine, port = StopwatchEngine(parse_rig(rig_text)), spec.open_port()
        receiving, sending = multiprocessing.Pipe(duplex=False)
        recorder = Recorder(spec)
        loop = SessionLoop(engine, port, recorder, view, receiving, trace)
        with undisturbed():
            from_s = turn_until_running(engine, loop, view, sending) + SETTLING_S
            samples = 0
            while time.monotonic() < from_s + seconds and engine.phase is Phase.RUNNING:
                if time.monotonic() < from_s:
                    samples = len(engine.ages)
                one_turn(loop, view)
        findings.endings.append(engine.phase.value + (f": {engine.message}" if engine.message else ""))
        port.close()
        recorder.close(Outcome(Ending.DONE))
        view.close()
        view.unlink()
    findings.session.append(np.array(engine.ages[samples:]))
    findings.stages.append(trace.durations_ms())


def turn_until_running(
    engine: Engine, loop: SessionLoop, view: SharedView, sending: multiprocessing.connection.Connection
) -> float:
    """Arms the session; returns when that was."""
    asked_at_s, until_s = 0.0, time.monotonic() + PATIENCE_S
    while engine.phase is not Phase.RUNNING:
        if time.monotonic() > until_s:
            raise SystemExit(f"not armed within {PATIENCE_S:g} s: {engine.phase}, {engine.message}")
        if engine.phase is Phase.READY and time.monotonic() - asked_at_s > 1.0:  # again when the self-test refused
            asked_at_s = time.monotonic()
            sending.send(Command(CommandKind.ARM))
        one_turn(loop, view)
    return time.monotonic()


def one_turn(loop: SessionLoop, view: SharedView) -> None:
    """What the loop does in its own process, and the surface's sign of life."""
    view.heard()
    loop.turn()
    loop.sleep()


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """The collector as the session's loop has it."""
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
        gc.unfreeze()


def quantiles(values: np.ndarray) -> str:
    """The columns of both tables."""
    if not len(values):
        return "   nothing"
    return "".join(f"{value:>9.2f}" for value in np.percentile(values, [50, 99, 99.9, 100]))


def compare(which: str, findings: Findings, chosen: Callable[[np.ndarray], np.ndarray]) -> None:
    """The rows of both readers, and the ratio of their p99.9."""
    bare = [chosen(ages) for ages in findings.bare]
    session = [chosen(ages) for ages in findings.session]
    for name, ages in (("bare reader", bare), ("session", session)):
        print(f"  {f'{name}, {which}':<36}{quantiles(np.concatenate(ages))}{sum(map(len, ages)):>9}")
    pooled = np.percentile(np.concatenate(session), 99.9) / np.percentile(np.concatenate(bare), 99.9)
    rounds = [np.percentile(one, 99.9) / np.percentile(other, 99.9) for one, other in zip(session, bare, strict=True)]
    print(f"  p99.9, session over bare reader: {pooled:.2f} pooled, {np.round(rounds, 2).tolist()} by rounds")


def main() -> None:
    """Prints the tables."""
    numbers = [argument for argument in sys.argv[1:] if not argument.startswith("--")]
    seconds, rounds = float(numbers[0]) if numbers else 10.0, int(numbers[1]) if len(numbers) > 1 else 4
    if "--plain" not in sys.argv:
        print(f"priority: {ask_for_priority() or 'granted'}")  # for all readers alike
    for busy in (0, 2):
        findings = measure(busy, seconds, rounds)
        print(f"\n{busy} busy processes beside; ages in ms{'p50':>12}{'p99':>9}{'p99.9':>9}{'most':>9}{'samples':>9}")
        compare("all", findings, lambda ages: ages[:, 1])
        compare("no core standing still", findings, findings.moving)
        print(f"  {findings.watch.told()}")
        for name in findings.stages[0]:
            print(f"  {'stage ' + name:<36}{quantiles(np.concatenate([stage[name] for stage in findings.stages]))}")
        print(f"  ended: {'; '.join(findings.endings)}", flush=True)


if __name__ == "__main__":
    main()
