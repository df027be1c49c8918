"""A stand connected again without a restart, with the real session process; nothing of the first session stays."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from patient_rig import patient_rig_text
from PyQt5 import QtCore

from whirlbench.cli.verbs.stand import window_
from whirlbench.recording.files import read_run
from whirlbench.session.engine import Phase
from whirlbench.window.live.bridge import Bridge
from whirlbench.window.main_window import MainWindow
from whirlbench.window.open_pages import STAND
from whirlbench.window.stand_access import SIMULATED, StandAccess

pytestmark = pytest.mark.real_time


@pytest.fixture
def window(qtbot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[MainWindow]:
    """As the verb makes it, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(patient_rig_text())
    begun: list[Path] = []

    def start(shown: MainWindow, port: str, rig_path: Path | None) -> None:
        begun.append(Path(f"run-{len(begun)}.h5"))
        window_._add_session(shown, port, rig_path, None, begun[-1], 3, tmp_path / "sets.sqlite")

    made = MainWindow(stand=StandAccess(start=start))
    made.begun = begun
    qtbot.addWidget(made)
    made.show()
    yield made
    if made.bridge is not None and made.bridge.session.outcome() is None:
        made.bridge.finish()
    made._closing = True
    made.close()


def living() -> set[str]:
    """Processes and threads that are not the test's own."""
    return {process.name for process in multiprocessing.active_children()} | {
        thread.name for thread in threading.enumerate() if thread is not threading.main_thread()
    }


def running_clocks(window: MainWindow) -> list[QtCore.QTimer]:
    """Clocks that run for a session, in the window or beside it."""
    return [bridge._clock for bridge in (window.bridge,) if isinstance(bridge, Bridge) and bridge._clock.isActive()]


def ready(window: MainWindow, qtbot) -> None:
    qtbot.waitUntil(lambda: window.bridge.session.state().phase == Phase.READY, timeout=90_000)


def end(window: MainWindow, qtbot) -> None:
    window.bridge.finish()
    qtbot.waitUntil(lambda: window.bridge.session.outcome() is not None, timeout=90_000)
    qtbot.waitUntil(lambda: bool(window.statusBar().currentMessage()), timeout=10_000)


def test_a_session_that_ended_makes_room_for_the_next_and_leaves_nothing(window: MainWindow, qtbot) -> None:
    before = living()
    window.connect_stand(SIMULATED, Path("rig.toml"))
    ready(window, qtbot)
    first = window.bridge
    window.reconnect()
    assert window.bridge is first and "end it first" in window.statusBar().currentMessage()
    end(window, qtbot)
    window.reconnect()
    second = window.bridge
    assert "session ended" not in window.statusBar().currentMessage()
    assert second is not first and not first._clock.isActive() and not first.session.alive()
    ready(window, qtbot)
    pages = [window.page_names.item(row).text() for row in window.open_pages.rows(STAND)]
    assert pages.count("spin") == 1 and window.band_place.count() == 1
    assert window.abort_bar.isEnabled()  # and cuts the session that lives now
    sent: list[object] = []
    second.session.command = lambda *given: sent.append(given)
    window.abort_bar.abort.emit()
    assert len(sent) == 1
    del second.session.command
    end(window, qtbot)
    window.close()
    assert running_clocks(window) == []
    qtbot.waitUntil(lambda: living() <= before, timeout=30_000)
    assert [len(read_run(path).slow.time_s) > 0 for path in window.begun] == [True, True]
