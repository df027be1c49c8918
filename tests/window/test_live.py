"""The live page against a real session process on the simulated stand."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from cleared_set import cleared, fitted
from hands import raise_throttle, rpm_shown
from patient_rig import patient_rig_text
from PyQt5 import QtCore

from whirlbench.recording.files import read_run
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import CommandKind, Ending
from whirlbench.session.process import SessionSpec, start
from whirlbench.simulator.device.simulated_port import open_simulated
from whirlbench.window.main_window import MainWindow


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return tmp_path / "run.h5"


@pytest.fixture
def window(qtbot, recording: Path) -> Iterator[MainWindow]:
    text = patient_rig_text()
    spec = SessionSpec(text, functools.partial(open_simulated, text, 7), recording=str(recording), keep_open=True)
    spec = replace(spec, clearance=cleared(text))
    made = MainWindow()
    qtbot.addWidget(made)
    made.show_session(start(spec), parse_rig(text), recording, fitted(text, recording.parent))
    made.show()
    yield made
    assert made.bridge is not None
    if made.bridge.session.outcome() is None:
        made.bridge.finish()
    made.bridge.close()


def panel_of(window: MainWindow):
    assert window.bridge is not None
    return window.bridge.panel


def tick_all(panel) -> None:
    panel.check_list.operator.setText("tester")
    for box in panel.check_list.boxes:
        box.click()


def test_arm_turn_and_cut_with_the_space_bar(window: MainWindow, qtbot, recording: Path) -> None:
    panel = panel_of(window)
    tick_all(panel)
    qtbot.waitUntil(lambda: panel.buttons[CommandKind.ARM].isEnabled(), timeout=20_000)
    panel.buttons[CommandKind.ARM].click()
    qtbot.waitUntil(lambda: panel.band.state == "armed", timeout=20_000)
    raise_throttle(panel, qtbot, 1300.0)
    qtbot.waitUntil(lambda: rpm_shown(panel) > 500.0, timeout=20_000)
    assert len(panel.trail.seconds_ago()) > 500
    assert panel.losses.text() == "no losses"
    qtbot.keyClick(window, QtCore.Qt.Key_Space)
    qtbot.waitUntil(lambda: panel.band.state == "tripped", timeout=20_000)
    window.close()  # brought to rest first
    qtbot.waitUntil(lambda: panel.session.outcome() is not None, timeout=60_000)
    assert panel.session.outcome().ending is Ending.ABORTED
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=10_000)
    run = read_run(recording)
    assert [event.name for event in run.events if event.kind == "abort"] == ["operator abort"]
    assert run.slow.rpm[-1] == 0.0  # the coast-down is there to its end


def test_controls_follow_the_session(window: MainWindow, qtbot) -> None:
    panel = panel_of(window)
    tick_all(panel)
    qtbot.waitUntil(lambda: panel.buttons[CommandKind.ARM].isEnabled(), timeout=20_000)
    assert window.abort_bar.isVisible()
    assert window.abort_bar.isEnabled()
    assert not panel.buttons[CommandKind.RESET].isEnabled()
    assert not panel.throttle.isEnabled()
    assert panel.buttons[CommandKind.ARM].focusPolicy() == QtCore.Qt.NoFocus
