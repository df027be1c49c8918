"""Hours of device time through a session and its recording process, then every verb on the file: time and memory.

    python tests/benchmarks/recording/long_run.py FOLDER [MINUTES ...]        (default: 10 60 120)

For each length a run on the simulated stand, 500 slow samples a second and three axes at 1600/s, in lock-step (some ten
times faster than real time), recorded by the real recording process; 120 minutes pass the wrap of the device's 32-bit
clock at 71.6 minutes. Printed: losses, resident memory of both processes along the run, and what export, onset, trips,
tune, limits and the window's replay of the file take (the larger of the window and of the process that reads for it,
up to the first picture). A file that is in FOLDER already is not made again.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "session"))
from cleared_set import cleared

from whirlbench.recording.files import open_recording
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Actions, Engine, Outcome, Progress
from whirlbench.session.plan import parse_plan
from whirlbench.session.process import SessionSpec
from whirlbench.session.process.lockstep import run_in_lockstep
from whirlbench.session.process.recorder import Recorder
from whirlbench.simulator.device.simulated_port import simulated_device

TURN_S = 0.01
LEVELS = ((1160, 8), (1220, 8), (1220, 10), (1280, 10), (1180, 9))  # throttle in us, pitch in degrees
HOLD_S = 60
OPEN = "import sys, whirlbench; whirlbench.open_recording(sys.argv[1])"
REPLAY = """
import os, sys, time
from pathlib import Path
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
from PyQt5.QtWidgets import QApplication
from whirlbench.window.pages.page_work import Subject
from whirlbench.window.pages.replay_work import replay_work
from whirlbench.window.pages.worker import Worker
from whirlbench.window.replay.recorded_run import RecordedRun
from whirlbench.window.replay.replay_panel import replay_of
application = QApplication([])
with Worker(replay_work, Subject(Path(sys.argv[1]))) as worker:
    found = []
    while not found:
        found = [one.result for one in worker.news() if isinstance(getattr(one, "result", None), RecordedRun)]
        time.sleep(0.01)
panel = replay_of(found.pop())
panel.resize(1366, 768)
panel.grab()
"""


class RecordedEngine:
    """An engine whose records go to the recording process, as the session's loop hands them over."""

    def __init__(self, engine: Engine, recorder: Recorder) -> None:
        self._engine, self._recorder = engine, recorder
        self.progress = engine.progress

    def step(self, *arguments: object) -> Actions:
        """One turn of the engine."""
        actions = self._engine.step(*arguments)  # type: ignore[arg-type]
        self._recorder.keep(actions.records)
        return actions


def endless_pack() -> str:
    """The example rig with a pack that lasts."""
    return example_rig_text().replace("capacity_ah = 5.0", "capacity_ah = 200.0")


def plan_text(minutes: float) -> str:
    """Holds of a minute at five operating points in turn, then rest."""
    holds = [
        f'[[step]]\nkind = "hold"\nthrottle_us = {throttle}\npitch_deg = {pitch}\nduration_s = {HOLD_S}\n'
        for throttle, pitch in (LEVELS[number % len(LEVELS)] for number in range(round(minutes * 60 / HOLD_S)))
    ]
    return "".join(holds) + '[[step]]\nkind = "coast-down"\n'


def resident_mb(process_id: int | str = "self") -> float:
    """Memory of a process that is in use now."""
    return int(Path(f"/proc/{process_id}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


class MemoryWatch:
    """Notes the memory of session and recording process once a minute of device time."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, float]] = []

    def __call__(self, progress: Progress) -> None:
        """Called with the session's progress."""
        self.turns = getattr(self, "turns", 0) + 1
        if self.turns % 1200 == 0:
            recording = [one for one in multiprocessing.active_children() if "recording" in one.name]
            self.rows.append((self.turns / 20, resident_mb(), *(resident_mb(one.pid or 0) for one in recording[:1])))
            print("  at {:6.0f} s: session {:6.1f} MB, recording {:6.1f} MB".format(*self.rows[-1]), flush=True)


def record(path: Path, minutes: float) -> Outcome:
    """Makes the run and prints how memory went."""
    rig_text, plan = endless_pack(), plan_text(minutes)
    recorder = Recorder(SessionSpec(rig_text, _no_port, plan, str(path), origin="simulated stand", random_seed=1))
    engine = RecordedEngine(Engine(parse_rig(rig_text), parse_plan(plan), clearance=cleared(rig_text)), recorder)
    watch, began = MemoryWatch(), time.monotonic()
    outcome = run_in_lockstep(
        engine,
        simulated_device(rig_text, 1),
        progress=watch,
        longest_s=1e6,
        step_s=TURN_S,  # type: ignore[arg-type]
    )
    ran_s, began = time.monotonic() - began, time.monotonic()
    recorder.close(outcome)
    print(f"{minutes:g} min: {outcome}; ran {ran_s:.0f} s, closed in {time.monotonic() - began:.1f} s")
    return outcome


def _no_port() -> None:  # type: ignore[return]
    raise AssertionError("in lock-step nobody opens a port")


def losses(path: Path) -> str:
    """Counted losses of the file, and vibration samples that are missing without being counted."""
    with open_recording(path) as recording:
        index, totals = recording.vibration_index(), recording.last_counters()
        problems = recording.problems
    missing = int(index[-1] - index[0] + 1 - len(index))
    counted = {name: value for name, value in totals.items() if value and "lost" in name}
    return f"uncounted losses {missing}, counted {counted}, problems {problems}"


def used(command: list[str]) -> tuple[float, float, int]:
    """(wall seconds, largest resident MB, exit status) of a command."""
    script = (
        "import resource, subprocess, sys\n"
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, done.returncode)"
    )
    began = time.monotonic()
    told = subprocess.run([sys.executable, "-c", script, *command], capture_output=True, text=True, check=True)
    kilobytes, status = map(int, told.stdout.split())
    return time.monotonic() - began, kilobytes * 1024 / 1e6, status


def verbs(path: Path, folder: Path) -> dict[str, list[str]]:
    """Commands that are measured, by name."""
    rig = folder / "rig.toml"
    rig.write_text(endless_pack(), encoding="utf-8")
    whirlbench = [sys.executable, "-m", "whirlbench"]
    return {
        "open": [sys.executable, "-c", OPEN, str(path)],
        "replay": [sys.executable, "-c", REPLAY, str(path)],
        "onset": [*whirlbench, "onset", str(path), "--json"],
        "trips": [*whirlbench, "trips", str(path), "--rig", str(rig), "--json"],
        "tune": [*whirlbench, "tune", str(path), "--json"],
        "limits": [*whirlbench, "limits", str(path), "--rig", str(rig), "--json"],
        "export --csv": [*whirlbench, "export", str(path), "--csv", str(folder / f"{path.stem}-csv")],
        "export --parquet": [*whirlbench, "export", str(path), "--parquet", str(folder / f"{path.stem}-parquet")],
        "recover": [*whirlbench, "recover", str(path), "-o", str(folder / f"{path.stem}-whole.h5")],
    }  # fmt: skip


def clear(path: Path, folder: Path) -> None:
    """Takes away what the verbs wrote."""
    for written in (*folder.glob(f"{path.stem}-csv/*"), *folder.glob(f"{path.stem}-parquet/*")):
        written.unlink()
    (folder / f"{path.stem}-whole.h5").unlink(missing_ok=True)


def measure(path: Path, folder: Path, show: Callable[[str], None] = print) -> None:
    """Prints time and memory of each verb on ``path``."""
    for name, command in verbs(path, folder).items():
        clear(path, folder)
        wall_s, peak_mb, status = used(command)
        show(f"  {path.stem:>6} {name:18} {wall_s:7.1f} s {peak_mb:7.0f} MB   exit {status}")
    clear(path, folder)


if __name__ == "__main__":
    place = Path(sys.argv[1])
    place.mkdir(parents=True, exist_ok=True)
    for length in [float(word) for word in sys.argv[2:]] or [10.0, 60.0, 120.0]:
        file = place / f"{length:g}min.h5"
        if not file.exists():
            record(file, length)
        print(f"{file.name}: {file.stat().st_size / 1e6:.0f} MB, {losses(file)}", flush=True)
        measure(file, place)
