"""The session's process: how it starts, hears, and ends without leaving anything behind."""

import functools
import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from cleared_set import cleared
from patient_rig import patient_rig_text

from whirlbench.errors import RigError
from whirlbench.link.port import SerialPort
from whirlbench.recording.files import open_recording
from whirlbench.session.engine import Command, CommandKind, Ending, Phase
from whirlbench.session.process import SessionSpec, SharedView, handle, start
from whirlbench.simulator.device.simulated_port import open_simulated, simulated_device

SHARED = Path("/dev/shm")


@pytest.fixture(autouse=True)
def no_shared_memory_left(monkeypatch):
    """Shared memory outlives processes: it has to be removed by name. Other tests' memory is none of ours."""
    made = []

    class NotedView(SharedView):
        def __init__(self, name=None):
            super().__init__(name)
            made.append(self.name)

    monkeypatch.setattr(handle, "SharedView", NotedView)
    yield
    assert not [name for name in made if (SHARED / name.lstrip("/")).exists()]


@pytest.fixture
def rig_text():
    return patient_rig_text().replace("rest_ms = 1000", "rest_ms = 300")


def spec_of(rig_text, **changes):
    given = {"clearance": cleared(rig_text), **changes}
    return SessionSpec(rig_text, functools.partial(open_simulated, rig_text, 1), **given)


def until(session, condition, longest_s=20.0):
    """Keeps the session company until ``condition`` of its progress holds."""
    deadline_s = time.monotonic() + longest_s
    while not condition(session.state()) and session.outcome() is None:
        assert time.monotonic() < deadline_s, session.state()
        session.heard()
        time.sleep(0.02)


class NotedRank:
    """Whether the surface has its rank at present."""

    held = False

    def __init__(self):
        type(self).held = True

    def give_back(self):
        type(self).held = False


def test_orders_view_and_end(rig_text, tmp_path, monkeypatch):
    monkeypatch.setattr(handle, "SurfaceRank", NotedRank)
    recording = tmp_path / "run.h5"
    with start(spec_of(rig_text, keep_open=True, recording=str(recording))) as session:
        assert NotedRank.held
        until(session, lambda progress: progress.phase == Phase.READY)
        assert session.alive() and session.pid != os.getpid()
        session.command(CommandKind.NOTE, text="propeller turns freely by hand")
        session.command(Command(CommandKind.ARM))
        until(session, lambda progress: progress.state == "armed")
        assert session.view.tail(1.0).slow.has("voltage_v")
        assert session.view.tail(1.0).vibration.rate_hz == pytest.approx(1600, rel=0.01)
        session.command(CommandKind.FINISH)
        until(session, lambda progress: False)
        assert not NotedRank.held
        outcome = session.join(10)
    assert outcome.ending == Ending.DONE, outcome
    with open_recording(recording) as opened:
        run = opened.run()
    assert [event.name for event in run.events if event.kind == "state"] == ["locked", "armed", "locked"]
    assert any("turns freely" in event.name + event.detail for event in run.events if event.kind == "note")


WRAP_S = 4.0  # after the port was opened


def open_old_device(rig_text):
    """A stand whose board has been on for so long that its 32-bit clock of microseconds soon begins anew."""
    port = open_simulated(rig_text, 1)
    port.device = simulated_device(rig_text, 1, clock_us=(1 << 32) - round(WRAP_S * 1e6))
    return port


def test_the_device_clock_begins_anew_and_the_recording_goes_on(rig_text, tmp_path):
    """While it turns: `test_engine`, on a clock without a computer that can be late."""
    recording = tmp_path / "run.h5"
    spec = SessionSpec(rig_text, functools.partial(open_old_device, rig_text), "", str(recording), keep_open=True)
    with start(spec) as session:
        until(session, lambda progress: progress.time_s > WRAP_S + 0.5 and progress.phase == Phase.READY, 60.0)
        session.command(CommandKind.FINISH)
        outcome = session.join(60)
    assert outcome.ending == Ending.DONE, outcome
    with open_recording(recording) as opened:
        run, index, totals, problems = opened.run(), opened.vibration_index(), opened.last_counters(), opened.problems
    assert problems == () and run.slow.time_s[0] == 0.0 and run.slow.time_s[-1] > WRAP_S + 0.4
    for time_s in (run.slow.time_s, run.vibration.time_s):
        assert time_s[0] < WRAP_S < time_s[-1] < 120.0
    lost = np.diff(run.slow.time_s).max() > 0.003 or np.diff(index).max() > 1
    assert not lost or totals["lost"] + totals["stale"] + totals["telemetry_dropped"] > 0, totals  # nothing uncounted


def test_a_terminated_session_locks_and_ends(rig_text):
    with start(spec_of(rig_text, keep_open=True)) as session:
        until(session, lambda progress: progress.phase == Phase.READY)
        os.kill(session.pid, signal.SIGTERM)
        outcome = session.join(10)
    assert outcome is not None and outcome.ending == Ending.ABORTED


def test_a_killed_session_is_told_as_failed(rig_text):
    with start(spec_of(rig_text)) as session:
        until(session, lambda progress: progress.phase == Phase.READY)
        os.kill(session.pid, signal.SIGKILL)
        outcome = session.join(10)
    assert outcome is not None and outcome.ending == Ending.FAILED
    assert "died" in outcome.reason


def test_a_port_that_cannot_be_opened_is_an_outcome(rig_text):
    with start(SessionSpec(rig_text, functools.partial(SerialPort, "/dev/no_such_port"))) as session:
        outcome = session.join(20)
    assert outcome is not None and outcome.exit_status == 2
    assert "/dev/no_such_port: cannot be opened" in outcome.reason


def test_a_recording_that_cannot_be_written_is_refused_before_arming(rig_text, tmp_path):
    taken = tmp_path / "run.h5"
    taken.write_text("precious")
    with start(spec_of(rig_text, recording=str(taken))) as session:
        until(session, lambda progress: False)
        outcome = session.join(20)
    assert outcome is not None and outcome.ending == Ending.REFUSED
    assert "run.h5" in outcome.reason
    assert taken.read_text() == "precious"


def test_a_bad_rig_is_refused_before_a_process_starts(rig_text):
    with pytest.raises(RigError, match="overspeed_rpm"):
        start(spec_of(rig_text.replace("overspeed_rpm = 6000", "")))
