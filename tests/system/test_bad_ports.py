"""Ports that give noise, vanish, or lead to another protocol: one clear line, the right exit status, nothing lost."""

import os
import subprocess
import sys
import threading
import time
import tty

import pytest
from fault_run import SPIN

from whirlbench.link.messages import PROTOCOL_VERSION
from whirlbench.recording.files import read_run


def spin(files, port, *more):
    """Runs the verb and gives (exit status, last line on stderr, everything on stderr)."""
    whirlbench = SPIN + "spin.SessionSpec = functools.partial(spin.SessionSpec, reconnect_s=2.0); main()"
    command = [sys.executable, "-c", whirlbench, "spin", "--rig", files / "rig.toml", "--plan", files / "plan.toml"]
    command += ["--port", port, "-o", files / "run.h5", "--yes", *more]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, timeout=100)
    lines = done.stderr.strip().splitlines()
    return done.returncode, lines[-1] if lines else "", done.stderr


@pytest.fixture
def noisy_port():
    """A pseudo-terminal that pours out random bytes until the test ends."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()

    def pour():
        while not stop.wait(0.005):
            try:
                os.write(master, os.urandom(200))
            except BlockingIOError:
                continue

    thread = threading.Thread(target=pour)
    thread.start()
    yield os.ttyname(slave)
    stop.set()
    thread.join()
    os.close(slave)
    os.close(master)


def test_noise_on_the_port(files, noisy_port):
    status, line, everything = spin(files, noisy_port)
    assert status == 2
    assert "no device identified itself" in line and "noise" in line
    assert "Traceback" not in everything


def test_no_such_port(files):
    status, line, everything = spin(files, files / "no_such_port")
    assert status == 2
    assert "no_such_port: cannot be opened" in line
    assert "Traceback" not in everything


def test_a_device_of_another_protocol_version(files, launch):
    device = launch("device_process.py", files / "rig.toml", 1, 7)
    status, line, everything = spin(files, device.stdout.readline().strip())
    assert status == 2
    assert "protocol version 7" in line and f"version {PROTOCOL_VERSION}" in line
    assert "Traceback" not in everything


def test_a_port_that_vanishes_in_mid_run(files, launch):
    device = launch("device_process.py", files / "rig.toml", 1)
    port = device.stdout.readline().strip()
    results = []

    def run_to_the_end():
        results.append(spin(files, port))
        device.stdin.write("time\n")  # a line for whoever waits for one, should nothing ever have turned
        device.stdin.flush()

    runner = threading.Thread(target=run_to_the_end)
    runner.start()
    while runner.is_alive() and "TURNING" not in device.stdout.readline():
        pass
    time.sleep(1.0)
    device.stdin.write("vanish\n")
    device.stdin.flush()
    runner.join(60)
    status, line, everything = results[0]
    assert status == 3
    assert f"{port}: the port vanished" in line
    assert "Traceback" not in everything
    run = read_run(files / "run.h5")
    turning_s = next(event.time_s for event in run.events if event.name == "turning")
    assert run.slow.time_s[-1] - turning_s > 0.5  # of the second before, by a device clock that may run slow
    assert run.events[-1].kind == "link"
    assert "nothing came back within 2 s, the coast-down is not recorded" in line
    assert run.problems == ()
