"""The compiled sketch, running on a simulated microcontroller behind a pseudo-terminal, under the verb `spin`."""

import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from whirlbench.recording.files import open_recording

STAND = Path(__file__).parents[1] / "firmware" / "mcu_stand.py"
PLAN = """
[[step]]
kind = "hold"
throttle_us = 1180
pitch_deg = 8
duration_s = 3
[[step]]
kind = "coast-down"
"""


@pytest.fixture
def port(files):
    """The sketch's serial line on an ATmega2560; the stand is ended with the test."""
    (files / "plan.toml").write_text(PLAN)
    command = [sys.executable, str(STAND), "--board", "atmega2560", "--rig", str(files / "rig.toml")]
    stand = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    told = stand.stdout.readline().split()
    assert told[:1] == ["port"], "the simulated microcontroller did not start; its complaint is above"
    yield told[1]
    stand.send_signal(signal.SIGINT)
    stand.communicate(timeout=20)


def spin(files, port):
    """Runs the plan on the sketch; gives the finished process and the open recording's run, counters and attributes."""
    whirlbench = "from whirlbench.cli.main import main; main()"
    command = [sys.executable, "-c", whirlbench, "spin", "--rig", files / "rig.toml", "--plan", files / "plan.toml"]
    command += ["--port", port, "-o", files / "run.h5", "--yes"]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, timeout=150)
    with open_recording(files / "run.h5") as recording:
        return done, recording.run(), recording.attributes


def test_a_plan_runs_on_the_compiled_sketch(files, port):
    done, run, attributes = spin(files, port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert attributes.firmware["board"] == "atmega2560"
    states = [event.name for event in run.events if event.kind == "state"]
    assert states == ["locked", "armed", "turning", "armed", "locked"]
    assert np.diff(run.slow.time_s).max() < 0.01
    assert run.slow.rpm.max() > 500 and run.slow.rpm[-1] == 0


def test_the_sketch_trips_on_overspeed_and_says_so(files, port):
    rig = (files / "rig.toml").read_text()
    (files / "rig.toml").write_text(re.sub(r"overspeed_rpm = \d+", "overspeed_rpm = 500", rig, count=1))
    done, run, _ = spin(files, port)
    assert done.returncode == 3, done.stdout + done.stderr
    assert "tripped: overspeed" in done.stderr
    (trip,) = [event for event in run.events if event.kind == "trip"]
    assert 500 < float(trip.detail.split()[0]) < 700  # spinning up, one period later than 500 rpm
    after = run.slow.between(trip.time_s + 0.01, 1e9)
    assert (after.throttle_us == 1000).all()
    assert after.rpm[-1] == 0
