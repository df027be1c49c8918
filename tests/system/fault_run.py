"""A supervised run by the real processes, a fault in it, and what is left: for the short tests and the long campaign.

The device lives in a process of its own behind a pseudo-terminal; the verb `spin` runs in a process group of its own,
as a terminal would start it. A fault comes in one of three phases: armed, turning, coasting.
"""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import h5py
import numpy as np
import psutil
from patient_rig import HEARTBEAT_MS, patient_rig_text

HERE = Path(__file__).parent
PHASES = {"armed": r"state +armed", "turning": r"state +turning", "coasting": r"start \(coast-down"}
PLAN_TEXT = """
[[step]]
kind = "hold"
throttle_us = 1000
pitch_deg = 8
duration_s = {armed_s}
[[step]]
kind = "hold"
throttle_us = 1250
pitch_deg = 8
duration_s = {turning_s}
[[step]]
kind = "coast-down"
"""
TRIP_SURE_S = 0.05  # a heartbeat that had left just before the fault
LONG_S = 40.0
AFTER_S = 1.0  # into the phase
PATIENCE_S = 120.0
SPIN = "from whirlbench.cli.verbs.stand import spin; import functools; from whirlbench.cli.main import main; "


def quick_rig_text() -> str:
    """A patient rig with a short rest time."""
    return patient_rig_text().replace("rest_ms = 1000", "rest_ms = 300")


@dataclass
class FaultRun:
    """One run; ``begin``, ``await_phase``, the fault, ``finish``, then the questions."""

    folder: Path
    rig_text: str
    phase: str = "turning"
    reconnect_s: float = 60.0
    output: str = "run.h5"
    fault_device_s: float = 0.0
    status: int | None = None
    printed: str = ""
    errors: str = ""
    lines: list[str] = field(default_factory=list)
    _states: list[tuple[str, float]] = field(default_factory=list)  # of the device, with its time
    _owed: int = 0  # answers of the device that nobody has read

    def __post_init__(self) -> None:
        self.recording = self.folder / self.output
        self.link = self.folder / "stand"

    def begin(self) -> None:
        """Starts device and verb."""
        (self.folder / "rig.toml").write_text(self.rig_text, encoding="utf-8")
        armed_s, turning_s = {"armed": (LONG_S, 1.0), "turning": (0.3, LONG_S), "coasting": (0.3, 2.0)}[self.phase]
        plan = PLAN_TEXT.format(armed_s=armed_s, turning_s=turning_s)
        (self.folder / "plan.toml").write_text(plan, encoding="utf-8")
        self.device = self._start([str(HERE / "device_process.py"), "rig.toml", "1", "0", str(self.link)])
        self.device.stdout.readline()
        code = SPIN + f"spin.SessionSpec = functools.partial(spin.SessionSpec, reconnect_s={self.reconnect_s}); main()"
        arguments = ["spin", "--rig", "rig.toml", "--plan", "plan.toml", "--port", str(self.link), "--yes"]
        arguments += ["--log", "blade_sets.sqlite"]  # each stand's own, also where no test keeps them apart
        self._errors = open(self.folder / "errors.txt", "w+")  # noqa: SIM115 - closed by end()
        self.spin = self._start(["-c", code, *arguments, "-o", str(self.recording)], self._errors, self._limit)

    def _start(self, words: list[str], errors: object = None, first: Callable[[], None] | None = None):
        return subprocess.Popen(
            [sys.executable, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True,
            cwd=self.folder, start_new_session=True, preexec_fn=first,
        )  # fmt: skip

    def _limit(self) -> None:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # as a script in the background hands it on

    def await_phase(self) -> bool:
        """Waits until the verb says that the phase has begun, and a little; False when it ended before."""
        while line := self.spin.stdout.readline():
            self.lines.append(line)
            if re.search(PHASES[self.phase], line):
                time.sleep(AFTER_S)
                return True
        return False

    def processes(self) -> dict[str, psutil.Process]:
        """The surface, its session and its recorder."""
        surface = psutil.Process(self.spin.pid)
        session = next(child for child in surface.children() if "spawn_main" in " ".join(child.cmdline()))
        recorder = next(child for child in session.children() if "spawn_main" in " ".join(child.cmdline()))
        return {"surface": surface, "session": session, "recorder": recorder}

    def strike(self, target: str, number: int) -> None:
        """Sends a signal to one of the processes, or to the whole group, and notes the device's time."""
        self.family = self.processes()
        self.note_time()
        if target == "group":
            os.killpg(self.spin.pid, number)
        else:
            self.family[target].send_signal(number)

    def fill_disk(self) -> None:
        """From now on no file of the recorder can grow, as on a disk that is full; needs no right of root."""
        self.family = self.processes()
        self.note_time()
        size = self.recording.stat().st_size
        self.family["recorder"].rlimit(psutil.RLIMIT_FSIZE, (size, size))

    def fill_disk_at_once(self, size: int) -> None:
        """The same before the file is begun: none of the recorder's may be longer than ``size``."""
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            try:
                self.processes()["recorder"].rlimit(psutil.RLIMIT_FSIZE, (size, size))
                return
            except (StopIteration, psutil.NoSuchProcess):
                time.sleep(0.005)

    def lose_cable(self, gone_s: float) -> None:
        """The cable out and in again."""
        self.family = self.processes()
        self.note_time()
        self.tell_device("vanish")
        time.sleep(gone_s)
        self.tell_device("return")

    def note_time(self) -> None:
        """Notes the device's time as that of the fault."""
        self.fault_device_s = self._hear_device()

    def tell_device(self, word: str) -> None:
        """A word on the device's standard input, which it answers with a line."""
        self.device.stdin.write(word + "\n")
        self.device.stdin.flush()
        self._owed += 1

    def _hear_device(self) -> float:
        """The device's time now; all that it has told by then is kept, each state once."""
        self.tell_device("time")
        at_s = 0.0
        while self._owed:
            _, state, told_s = self.device.stdout.readline().split()
            at_s = float(told_s)
            if self._states and state == self._states[-1][0]:  # nothing but an answer repeats the state before it
                self._owed -= 1
            else:
                self._states.append((state, at_s))
        return at_s

    def _first_s(self, state: str) -> float:
        """Device's time of the first change to ``state``; infinite when there was none."""
        return min((at_s for name, at_s in self._states if name == state), default=math.inf)

    def ever_armed(self) -> bool:
        """Whether the device was ever armed, by its own word."""
        return math.isfinite(self._first_s("ARMED"))

    def cut_s(self) -> float:
        """Seconds from the fault to the device's trip, infinite without one; negative when it had tripped before."""
        return self._first_s("TRIPPED") - self.fault_device_s

    def finish(self, of: tuple[str, ...] = ("surface", "session", "recorder")) -> None:
        """Waits for the verb and for its other processes."""
        out, _ = self.spin.communicate(timeout=PATIENCE_S)
        self.status, self.printed = self.spin.returncode, "".join(self.lines) + out
        self._errors.seek(0)
        self.errors = self._errors.read()
        until_s = time.monotonic() + PATIENCE_S
        for process in (self.family[name] for name in of if hasattr(self, "family")):
            while _lives(process) and time.monotonic() < until_s:
                time.sleep(0.05)
            assert not _lives(process), f"{process} did not end"
        self._hear_device()

    def end(self) -> None:
        """Kills whatever is left."""
        for process in (self.spin, self.device):
            for child in psutil.Process(process.pid).children(recursive=True) if process.poll() is None else ():
                child.kill()
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                pipe.close()
        for process in getattr(self, "family", {}).values():
            if _lives(process):
                process.kill()
        self._errors.close()

    # --- what is left -------------------------------------------------------------------------------------------------

    def recorded(self) -> Recorded:
        """What two other ways of opening it find in the file: beside a writer, and plainly."""
        with h5py.File(self.recording, "r", swmr=True) as file:
            beside = float(np.nanmax(file["slow/time_s"][...]))
        with h5py.File(self.recording, "r") as file:
            events = file["events/rows"][...]
        armed_s = min(float(row["time_s"]) for row in events if row["name"] == b"armed")
        trip_s = min((float(row["time_s"]) for row in events if row["kind"] == b"trip"), default=float("nan"))
        fault_s = armed_s + self.fault_device_s - self._first_s("ARMED")
        last_s, at_rest, ending = self._last(self.recording)
        continued = self.recording.with_name("run-continued.h5")
        end_s, at_rest, ending = self._last(continued) if continued.exists() else (last_s, at_rest, ending)
        return Recorded(min(beside, last_s), fault_s, end_s, at_rest, ending, trip_s)

    def _last(self, path: Path) -> tuple[float, bool, str]:
        """Run time that every stream reaches, whether the shaft is at rest then, and the ending."""
        with h5py.File(path, "r") as file:
            last_s = min(float(np.nanmax(file[f"{stream}/time_s"][...])) for stream in ("slow", "vibration"))
            ending = bytes(file["ending/row"][0]["exit_status"]).decode() if len(file["ending/row"]) else ""
            return last_s, float(file["slow/rpm"][-1]) == 0.0, ending

    def saved_s(self) -> float:
        """To which second the verb said that the run is saved; NaN when it did not."""
        found = re.findall(r"saved to ([\d.]+) s", self.printed)
        return float(found[-1]) if found else float("nan")


@dataclass(frozen=True)
class Recorded:
    """Run time up to which every stream reaches, that of the fault, that of the end with a second file, if any."""

    last_s: float
    fault_s: float
    end_s: float
    at_rest: bool
    ending: str
    trip_s: float = float("nan")  # of the device's own trip, if there was one

    @property
    def tripped_before(self) -> bool:
        """Whether the device had missed the heartbeat, or more, when the fault came."""
        return self.trip_s - HEARTBEAT_MS / 1e3 < self.fault_s - TRIP_SURE_S


def _lives(process: psutil.Process) -> bool:
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False
