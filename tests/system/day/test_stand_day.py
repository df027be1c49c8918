"""The day at the stand by the commands alone, on the simulated stand and on the compiled sketch.

At the sketch travel and trial take minutes of real time: they are walked on demand, by ``stand_day.py --sketch``, on a
busy or slow computer with ``--in-step``.
"""

from __future__ import annotations

import importlib.util
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from whirlbench.log import Proof, SetLog
from whirlbench.recording.files import open_recording

HERE = Path(__file__).parent


def walked(folder: Path, *more: str) -> None:
    """The whole day as a program: the verbs' own processes import it again."""
    command = [sys.executable, str(HERE / "stand_day.py"), str(folder), *more]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1000, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "FAIL" not in done.stdout and done.stdout.count("ok ") >= 11


def proof_of(folder: Path) -> Proof:
    """What the trial left in the log."""
    with SetLog(folder / "sets.sqlite", simulated=True) as log:
        (proof,) = log.proofs()
    return proof


def states(path: Path) -> list[str]:
    with open_recording(path) as recording:
        return [event.name for event in recording.run().events if event.kind == "state"]


@pytest.mark.timeout(1100)
def test_the_day_on_the_simulated_stand(tmp_path: Path) -> None:
    walked(tmp_path)
    assert "stderr_gain_pct" in (tmp_path / "rig.toml").read_text()
    assert proof_of(tmp_path).complete
    with open_recording(tmp_path / "tripped.h5") as recording:
        (trip,) = [event for event in recording.run().events if event.kind == "trip"]
    assert trip.name == "overspeed" and 450 < float(trip.detail.split()[0]) < 700  # the plan's limit, not the rig's
    assert states(tmp_path / "first.h5").count("locked") >= 2  # before, at the inspection stop, after
    assert not (tmp_path / "never.h5").exists()


@pytest.mark.timeout(1100)
def test_the_day_on_the_compiled_sketch(tmp_path: Path) -> None:
    walked(tmp_path, "--sketch", "atmega2560", "--unattended")
    with open_recording(tmp_path / "first.h5") as recording:
        run, board = recording.run(), recording.attributes.firmware["board"]
    assert board == "atmega2560"
    # within Arm the safe pulse is kept, which takes the chip some 14 ms
    assert np.diff(run.slow.time_s).max() < 0.02 and run.slow.rpm.max() > 500 and run.slow.rpm[-1] == 0
    with open_recording(tmp_path / "tripped.h5") as recording:
        run = recording.run()
    (trip,) = [event for event in run.events if event.kind == "trip"]
    after = run.slow.between(trip.time_s + 0.01, 1e9)
    # spinning up, one period later than the plan's limit: how fast by then is up to how far the chip lags
    assert 450 < float(trip.detail.split()[0]) < 1500
    assert (after.throttle_us == 1000).all() and after.rpm[-1] == 0


def test_the_chips_clock_goes_by_what_the_chip_tells_and_never_stands(tmp_path: Path) -> None:
    """A wait for no time at all ends only once the clock has moved, however slowly the chip is simulated."""
    found = importlib.util.spec_from_file_location("chip_clock", HERE / "chip_clock" / "sitecustomize.py")
    assert found is not None and found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    path = tmp_path / "clock"
    path.write_bytes(struct.pack("d", 1000.0))
    clock = module.ChipClock(path)
    times = [clock() for _ in range(200)]
    assert times[0] < times[-1] and times == sorted(times)
    assert times[0] >= 1000.0 and times[-1] < 1000.001
    with path.open("r+b") as file:
        file.write(struct.pack("d", 1000.002))
        file.flush()
        assert 1000.002 <= clock() < 1000.003
        file.seek(0)
        file.write(bytes(8))  # half written
    assert clock() >= 1000.002 and abs(clock.ns() - 1000.002e9) < 1e6
