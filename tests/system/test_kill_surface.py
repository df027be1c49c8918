"""SIGKILL of the operator's surface: the device trips, the session records the coast-down and ends by itself."""

import os
import signal
import time
from pathlib import Path

import numpy as np
import psutil
import pytest

from whirlbench.recording.files import open_recording, read_run


def wait_for_end(pid, timeout_s):
    """Waits until the process is gone; returns whether it is."""
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s:
        if not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
            return True
        time.sleep(0.05)
    return False


def surface_arguments(kind, files, recording):
    """Command of a surface: a bare process that follows a plan, or the desktop window itself."""
    if kind == "window":
        return "window_process.py", files / "rig.toml", recording
    return "surface_process.py", files / "rig.toml", files / "plan.toml", recording


@pytest.mark.parametrize("kind", ["plan follower", "window"])
def test_the_coast_down_is_recorded_after_the_surface_was_killed(kind, files, launch, heartbeat_s, monkeypatch):
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    recording = files / "run.h5"
    surface = launch(*surface_arguments(kind, files, recording))
    session_pid, memory = surface.stdout.readline().split()
    assert surface.stdout.readline() == "turning\n"
    os.kill(surface.pid, signal.SIGKILL)
    surface.wait()
    assert wait_for_end(int(session_pid), 40), "the session did not end by itself"
    assert not (Path("/dev/shm") / memory).exists(), "shared memory was left behind"
    run = read_run(recording)
    (trip,) = [event for event in run.events if event.kind == "trip"]
    assert trip.name == "heartbeat lost"
    assert int(trip.detail.split()[3]) <= heartbeat_s * 1e3 + 10  # ms of silence, by the device's own clock
    after = run.slow.between(trip.time_s, np.inf)
    assert after.rpm[0] > 300 and after.rpm[-1] == 0
    assert np.diff(after.time_s).max() < 0.05
    assert (after.throttle_us[after.time_s > trip.time_s + 0.01] == 1000).all()
    with open_recording(recording) as opened:
        assert opened.problems == ()
        assert opened.ending.complete and opened.ending.exit_status == "tripped"
