"""The verb `window` on ports that give noise, vanish, are absent or speak another protocol: shown and told."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from patient_rig import patient_rig_text

from whirlbench.cli.main import BAD_INPUT, DONE, TRIPPED, run
from whirlbench.cli.verbs.stand.window_ import _offered_plan
from whirlbench.errors import BenchError
from whirlbench.link.messages import PROTOCOL_VERSION
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Phase
from whirlbench.session.plan import shipped_plan_text
from whirlbench.window import app
from whirlbench.window.main_window import MainWindow

DEVICE = Path(__file__).parents[1] / "system" / "device_process.py"


class Shown(list[str]):
    """What the status bar said at the end; ``at_ready`` is called once the session offers to arm."""

    at_ready: Callable[[], None] | None = None

    def ended(self, window: MainWindow) -> bool:
        session = window.bridge.session
        if self.at_ready is not None and session.state().phase == Phase.READY:
            self.at_ready, strike = None, self.at_ready
            strike()
        return session.outcome() is not None and bool(window.statusBar().currentMessage())


@pytest.fixture
def shown(qtbot, monkeypatch, tmp_path) -> Iterator[Shown]:
    """Replaces Qt's own loop: the window lives until its session has ended; what its status bar said then."""
    told = Shown()

    def show_until_the_end(prepare: Callable[[MainWindow], None]) -> None:
        window = MainWindow()
        qtbot.addWidget(window)
        prepare(window)
        window.show()
        if window.bridge is not None:
            qtbot.waitUntil(lambda: told.ended(window), timeout=90_000)
        told.append(window.statusBar().currentMessage())
        window.close()

    monkeypatch.setattr(app, "run_window", show_until_the_end)
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(patient_rig_text())
    yield told


def window_on(port: object, capsys, status: int = BAD_INPUT) -> str:
    """The last line on stderr of a window that could not work with ``port``, and ended with ``status``."""
    assert run(["window", "--port", str(port), "--rig", "rig.toml", "-o", "run.h5"]) == status
    told = capsys.readouterr().err
    assert "Traceback" not in told
    return told.strip().splitlines()[-1]


@pytest.fixture
def device() -> Iterator[Callable[..., subprocess.Popen]]:
    """Starts a simulated device behind a pseudo-terminal."""
    started = []

    def start(*more: object) -> subprocess.Popen:
        command = [sys.executable, DEVICE, "rig.toml", 1, *more]
        process = subprocess.Popen(
            [str(part) for part in command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def test_another_protocol_version(shown, device, capsys) -> None:
    line = window_on(device(7).stdout.readline().strip(), capsys)
    assert "protocol version 7" in line and f"version {PROTOCOL_VERSION}" in line
    assert "protocol version 7" in shown[0]


def test_no_such_port(shown, capsys) -> None:
    assert "no_such_port: cannot be opened" in window_on("no_such_port", capsys)
    assert "no_such_port" in shown[0]


def test_a_port_that_vanishes(shown, device, capsys) -> None:
    process = device()
    port = process.stdout.readline().strip()
    shown.at_ready = lambda: (process.stdin.write("vanish\n"), process.stdin.flush())
    assert f"{port}: the port vanished" in window_on(port, capsys, status=TRIPPED)
    assert "vanished" in shown[0]


@pytest.fixture
def noisy_port() -> Iterator[str]:
    """A pseudo-terminal that pours out random bytes until the test ends."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()

    def pour() -> None:
        while not stop.wait(0.005):
            with contextlib.suppress(BlockingIOError):
                os.write(master, os.urandom(200))

    thread = threading.Thread(target=pour)
    thread.start()
    yield os.ttyname(slave)
    stop.set()
    thread.join()
    os.close(slave)
    os.close(master)


def test_pure_noise(shown, noisy_port, capsys) -> None:
    line = window_on(noisy_port, capsys)
    assert "no device identified itself" in line and "noise" in line
    assert "no device identified itself" in shown[0]


def test_a_simulated_stand_whose_rig_the_example_plan_does_not_fit_goes_without_it(tmp_path: Path) -> None:
    whole, bare = parse_rig(example_rig_text()), parse_rig("[limits]\noverspeed_rpm = 6000\n")
    assert _offered_plan("simulated", None, whole)[1] is not None
    assert _offered_plan("simulated", None, bare) == ("", None, bare)
    assert _offered_plan("ttyACM0", None, whole) == ("", None, whole)
    asked = tmp_path / "plan.toml"
    asked.write_text(shipped_plan_text())
    with pytest.raises(BenchError, match="pitch"):
        _offered_plan("simulated", asked, bare)


def test_a_recording_alone_ends_with_status_0(shown) -> None:
    demo = Path(__file__).parents[2] / "recordings" / "unbalance_as_found.h5"
    assert run(["window", str(demo)]) == DONE
