"""The ways a spin goes wrong, with the real session process: the window never looks as if all were well."""

from __future__ import annotations

import functools
import os
import re
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from cleared_set import cleared, fitted
from hands import raise_throttle, rpm_shown
from patient_rig import patient_rig_text
from troubled_port import SILENT, TACH, open_troubled

from whirlbench.recording.files import read_run
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import CommandKind, Ending
from whirlbench.session.process import SessionSpec, start
from whirlbench.window.live.abort_bar import CUT_UNHEARD, NO_CUT
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.live.state_band import NOT_KNOWN
from whirlbench.window.main_window import MainWindow
from whirlbench.window.stand_state.live_state import UNKNOWN

TEXT = patient_rig_text(2000, 1500)


@pytest.fixture
def window(qtbot, tmp_path: Path) -> Iterator[MainWindow]:
    spec = SessionSpec(TEXT, functools.partial(open_troubled, TEXT, 7, tmp_path), recording=str(tmp_path / "run.h5"))
    spec = replace(spec, keep_open=True, clearance=cleared(TEXT))
    made = MainWindow()
    qtbot.addWidget(made)
    made.show_session(start(spec), parse_rig(TEXT), tmp_path / "run.h5", fitted(TEXT, tmp_path))
    made.show()
    yield made
    assert made.bridge is not None
    if made.bridge.session.outcome() is None:
        made.bridge.finish()
    made.bridge.close()


@pytest.fixture
def panel(window: MainWindow, qtbot) -> SpinPanel:
    """Turning at more than 500 rpm; before the device was heard nothing was known, and nothing offered."""
    assert window.bridge is not None
    found = window.bridge.panel
    assert found.band.state == UNKNOWN and found.band.speed == NOT_KNOWN
    assert not found.buttons[CommandKind.ARM].isEnabled()
    found.check_list.operator.setText("tester")
    for box in found.check_list.boxes:
        box.click()
    arm = found.buttons[CommandKind.ARM]

    def armed() -> bool:
        if found.band.state == "locked" and arm.isEnabled():
            arm.click()
        return found.band.state == "armed"

    qtbot.waitUntil(armed, timeout=60_000)
    raise_throttle(found, qtbot, 1300.0)
    qtbot.waitUntil(lambda: found.band.state == "turning" and rpm_shown(found) > 500.0, timeout=60_000)
    return found


def test_a_session_that_is_killed_leaves_unknown_and_no_cut_that_cannot_work(window, panel, qtbot) -> None:
    os.kill(window.bridge.session.pid, signal.SIGKILL)
    qtbot.waitUntil(lambda: panel.band.state == UNKNOWN, timeout=20_000)
    assert panel.band.headline == "unknown: open the isolator" and panel.band.speed == NOT_KNOWN
    assert not any(one.margin.share == one.margin.share for one in panel.found)
    assert not panel.throttle.isEnabled() and window.abort_bar.text() == NO_CUT
    qtbot.waitUntil(lambda: window.bridge.session.outcome() is not None, timeout=60_000)
    qtbot.waitUntil(lambda: window.abort_bar.text() == NO_CUT, timeout=20_000)
    assert window.bridge.session.outcome().ending is Ending.FAILED
    assert panel.band.state == UNKNOWN and re.search("process (has )?died", panel.band.remark)


def test_a_device_that_falls_silent_is_unknown_and_the_cut_stays_offered(window, panel, qtbot, tmp_path: Path) -> None:
    (tmp_path / SILENT).touch()
    qtbot.waitUntil(lambda: panel.band.state == UNKNOWN, timeout=20_000)
    assert window.abort_bar.isEnabled() and window.abort_bar.text() == CUT_UNHEARD
    assert "has not been heard for" in panel.band.remark and "last heard: turning" in panel.band.remark
    qtbot.waitUntil(lambda: window.bridge.session.outcome() is not None, timeout=60_000)
    assert window.bridge.session.outcome().ending is Ending.LINK_LOST


def tach_blamed(panel: SpinPanel) -> bool:
    """By the device, or by the host where that was quicker."""
    return "lost tach" in panel.band.remark or "lost_tach_ms" in panel.band.remark


def test_a_lost_tach_trips_leaves_the_speed_blank_and_its_cause_stays(window, panel, qtbot, tmp_path: Path) -> None:
    (tmp_path / TACH).touch()
    qtbot.waitUntil(lambda: panel.band.state == "tripped", timeout=20_000)
    qtbot.waitUntil(lambda: tach_blamed(panel), timeout=20_000)
    reset = panel.buttons[CommandKind.RESET]
    seen = set()

    def at_rest() -> bool:
        seen.add(panel.band.speed)
        return reset.isEnabled()

    qtbot.waitUntil(at_rest, timeout=60_000)
    assert seen == {NOT_KNOWN}  # throughout the coast-down
    reset.click()
    qtbot.waitUntil(lambda: panel.band.state == "locked", timeout=20_000)
    assert tach_blamed(panel) and panel.band.speed == NOT_KNOWN
    assert not panel.buttons[CommandKind.ARM].isEnabled()  # the check-list is asked again


def test_a_window_closed_while_turning_comes_to_rest_first(window, panel, qtbot, tmp_path: Path) -> None:
    window.close()
    assert window.isVisible()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=90_000)
    run = read_run(tmp_path / "run.h5")
    assert not [event for event in run.events if event.kind in ("trip", "abort")]
    assert [event.name for event in run.events if event.kind == "state"][-1] == "locked"  # which a device is at rest
