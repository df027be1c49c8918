"""SIGKILL of the session: the device, living elsewhere, trips by itself; the recording reads back."""

import os
import signal
import time

from whirlbench.recording.files import open_recording, read_run


def state_line(device, name):
    """Time at which the device's process told that it came to the state ``name``."""
    while line := device.stdout.readline():
        at_s, state = line.split()[:2]
        if state == name:
            return float(at_s)
    raise AssertionError(f"the device never came to {name}")


def test_device_trips_and_the_recording_reads_back(files, launch, heartbeat_s):
    recording = files / "run.h5"
    device = launch("device_process.py", files / "rig.toml", 1)
    port = device.stdout.readline().strip()
    surface = launch("surface_process.py", files / "rig.toml", files / "plan.toml", recording, port)
    session_pid = int(surface.stdout.readline().split()[0])
    assert surface.stdout.readline() == "turning\n"
    turning_s = state_line(device, "TURNING")
    time.sleep(1.5)
    killed_s = time.monotonic()
    os.kill(session_pid, signal.SIGKILL)
    tripped_s = state_line(device, "TRIPPED")
    assert 0.0 < tripped_s - killed_s <= heartbeat_s + 0.2  # and what a busy computer adds to two processes
    assert "died" in surface.stdout.readline()
    surface.wait(10)
    run = read_run(recording)
    began_s = next(event.time_s for event in run.events if event.name == "turning")
    recorded_until_s = run.slow.time_s[-1] - began_s
    assert recorded_until_s >= (killed_s - turning_s) - 1.0
    assert wait_until_closed(recording).exit_status == "failed"


def wait_until_closed(recording):
    """The recording's ending, which its own process writes once it misses the session."""
    deadline_s = time.monotonic() + 10
    while time.monotonic() < deadline_s:
        with open_recording(recording) as opened:
            if opened.ending.complete:
                return opened.ending
        time.sleep(0.1)
    raise AssertionError("nobody closed the recording")
