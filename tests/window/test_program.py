"""The window as a program: what it opens, remembers and closes, and how a stand is connected again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import page_runs
import pytest
from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.rig.toml import parse_rig
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.help_card import HelpCard
from whirlbench.window.main_window import MainWindow
from whirlbench.window.menus import show_palette
from whirlbench.window.open_pages import STAND, START
from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.replay.replay_panel import ReplayPanel, SpanQuestion
from whirlbench.window.settings import Settings, settings_path
from whirlbench.window.stand_access import SIMULATED, FoundPort, StandAccess

DEMO = Path(__file__).parents[2] / "recordings" / "unbalance_as_found.h5"


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(tmp_path / "window.ini")


Maker = Callable[..., MainWindow]


@pytest.fixture
def make(qtbot, settings: Settings):
    made: list[MainWindow] = []

    def build(stand: StandAccess | None = None) -> MainWindow:
        window = MainWindow(settings, stand)
        qtbot.addWidget(window)
        window.show()
        made.append(window)
        return window

    yield build
    for window in made:
        window.close()


def names(window: MainWindow) -> list[str]:
    """The pages of the group that is seen."""
    return [window.page_names.item(row).text() for row in window.open_pages.rows(window.open_pages.group)]


def seen(window: MainWindow) -> QtWidgets.QWidget:
    page = window.pages.currentWidget()
    assert page is not None
    return page


def drop(window: MainWindow, *paths: Path) -> None:
    data = QtCore.QMimeData()
    data.setUrls([QtCore.QUrl.fromLocalFile(str(path)) for path in paths])
    enter = QtGui.QDragEnterEvent(
        QtCore.QPoint(5, 5), QtCore.Qt.CopyAction, data, QtCore.Qt.LeftButton, QtCore.Qt.NoModifier
    )
    window.dragEnterEvent(enter)
    assert enter.isAccepted()
    window.dropEvent(
        QtGui.QDropEvent(QtCore.QPointF(5, 5), QtCore.Qt.CopyAction, data, QtCore.Qt.LeftButton, QtCore.Qt.NoModifier)
    )


def test_files_are_dropped_a_broken_one_is_told_and_the_good_one_remembered(
    make: Maker, settings: Settings, qtbot, tmp_path: Path
) -> None:
    good, broken = tmp_path / "good.h5", tmp_path / "broken.h5"
    shutil.copy(DEMO, good)
    broken.write_bytes(DEMO.read_bytes()[:900])
    window = make()
    window.show_start()
    drop(window, broken, good)
    assert [window.open_pages.groups.itemText(row) for row in range(2)] == ["broken", "good"]
    assert window.open_pages.group == "good" and names(window)[0] == "replay"
    replay = seen(window)
    assert isinstance(replay, AnalysisPage)
    qtbot.waitUntil(lambda: replay.panel is not None, timeout=60_000)
    assert isinstance(replay.panel, ReplayPanel) and replay.panel.strips.view.span.is_whole
    window.open_pages.show_group("broken")
    page = seen(window)
    assert isinstance(page, AnalysisPage) and page is not replay
    qtbot.waitUntil(lambda: "broken.h5" in page.line.text(), timeout=60_000)
    assert page.panel is None and page.button.text() == "compute again"
    assert settings.recent() == (good,)
    window.open_file(good)
    assert window.open_pages.groups.count() == 2  # what is open is shown, not read again
    window.close_recording()
    assert window.open_pages.groups.count() == 1 and window.open_pages.group == "broken"
    assert replay._worker is None
    window.close_recording()
    assert window.open_pages.group == START and names(window) == ["start"]
    assert window.start_page is not None and window.start_page.recent.item(0).text().startswith("good.h5")


def test_a_question_about_a_span_opens_its_page_once(make: Maker) -> None:
    window = make()
    group = window.open_recording(DEMO)
    for _ in range(2):
        window.ask_span(group, SpanQuestion("spectrum", 3.0, 5.25))
    assert names(window).count("spectrum 3.0–5.2 s") == 1
    page = seen(window)
    assert isinstance(page, AnalysisPage) and page._args[0].span_s == (3.0, 5.25)
    assert window.page_names.currentItem().text().startswith("spectrum")


def test_keys_go_through_pages_and_recordings(make: Maker, qtbot) -> None:
    window = make()
    for name in ("first", "second"):
        for page in ("replay", "notes"):
            window.add_page(page, QtWidgets.QLabel(f"{name} {page}"), name)
    told = []
    for keys in ("Ctrl+Tab", "Ctrl+Tab", "Ctrl+2", "Ctrl+PgDown", "Ctrl+2", "Ctrl+7", "Ctrl+PgUp"):
        shortcut = next(
            one for one in window.findChildren(QtWidgets.QShortcut) if one.key() == QtGui.QKeySequence(keys)
        )
        shortcut.activated.emit()
        told.append(seen(window).text())
    assert told == [
        "first notes", "first replay", "first notes", "second replay", "second notes", "second notes", "first replay",
    ]  # fmt: skip
    assert names(window) == ["replay", "notes"]
    assert [window.page_names.item(row).isHidden() for row in range(4)] == [False, False, True, True]


def test_settings_are_kept_and_nonsense_is_as_if_never_set(settings: Settings, make: Maker, tmp_path: Path) -> None:
    settings.scale, settings.palette = 1.5, "dark"
    files = [tmp_path / f"run{number}.h5" for number in range(12)]
    for path in files:
        path.touch()
        settings.add_recent(path)
    settings.add_recent(files[5])
    window = make()
    window.resize(700, 500)
    window.close()
    again = Settings(tmp_path / "window.ini")
    assert (again.scale, again.palette) == (1.5, "dark")
    assert again.recent()[:2] == (files[5], files[11]) and len(again.recent()) == 10
    files[11].unlink()
    assert files[11] not in again.recent()
    other = MainWindow(again)
    assert (other.width(), other.height()) == (700, 500)
    other.close()
    (tmp_path / "window.ini").write_text("[General]\nscale=huge\npalette=pink\nrecent=7\ngeometry=no\n")
    torn = Settings(tmp_path / "window.ini")
    assert (torn.scale, torn.palette, torn.recent(), len(torn.geometry)) == (1.0, "light", (), 0)


def test_the_users_own_settings_are_out_of_reach(no_settings_of_the_user: Path) -> None:
    assert settings_path().is_relative_to(no_settings_of_the_user)


def test_another_palette_redraws_what_is_open(make: Maker, qtbot) -> None:
    window = make()
    window.show_recording(Replay(page_runs.shaking_run(grows=False), parse_rig(""), 0.0))
    panel = seen(window)
    assert isinstance(panel, ReplayPanel)

    def paper() -> str:
        return panel.strips.grab().toImage().pixelColor(3, 3).name()

    try:
        assert paper() == palette.ink("paper")
        show_palette("dark")
        assert paper() == palette.PALETTES["dark"]["paper"]
    finally:
        show_palette("light")
        QtWidgets.QApplication.instance().setStyleSheet("")


def test_a_stand_that_cannot_be_reached_is_told_and_another_try_is_open(make: Maker, qtbot) -> None:
    tried: list[tuple[str, Path | None]] = []

    def start(window: MainWindow, port: str, rig_path: Path | None) -> None:
        tried.append((port, rig_path))
        if len(tried) == 1:
            raise BenchError("no_such_port: cannot be opened")
        window.add_page("spin", QtWidgets.QLabel("the stand"), STAND)

    window = make(StandAccess(lambda: [FoundPort("ttyACM0", "bench device")], start))
    window.show_start()
    assert window.start_page is not None and window.start_page.ports.item(0).text().startswith("ttyACM0")
    window.start_page.stand_chosen.emit(SIMULATED)
    assert "cannot be opened" in window.statusBar().currentMessage() and window.open_pages.group == START
    assert window.start_page.told.isVisibleTo(window) and "cannot be opened" in window.start_page.told.text()
    window.start_page.stand_chosen.emit(SIMULATED)
    assert window.open_pages.group == STAND and window.start_page is None
    window.reconnect()
    assert tried == [(SIMULATED, None)] * 3 and names(window) == ["spin"]


def test_a_session_that_lives_is_left_alone(make: Maker) -> None:
    started: list[str] = []
    window = make(StandAccess(start=lambda _, port, __: started.append(port)))
    window.bridge = SimpleNamespace(session=SimpleNamespace(outcome=lambda: None))
    window.add_page("spin", QtWidgets.QLabel("the stand"), STAND)
    window.connected("ttyACM0", None)
    window.reconnect()
    assert started == [] and names(window) == ["spin"]
    assert window.statusBar().currentMessage() == "a session is running: end it first"
    window.bridge = None
    window.reconnect()
    assert started == ["ttyACM0"]


def test_without_a_way_to_a_stand_none_is_offered(make: Maker) -> None:
    window = make()
    window.show_start()
    assert window.start_page is not None and not window.start_page.ports.isVisible()
    window.connect_stand(SIMULATED, None)
    assert "no stand can be reached" in window.statusBar().currentMessage()


def test_every_control_has_a_name_for_who_cannot_see_it(make: Maker) -> None:
    window = make(StandAccess(lambda: (), lambda *_: None))
    window.show_start()
    window.show_recording(Replay(page_runs.shaking_run(grows=False), parse_rig(""), 0.0))
    kinds = (QtWidgets.QListWidget, QtWidgets.QComboBox, QtWidgets.QSlider, QtWidgets.QLineEdit, QtWidgets.QToolButton)
    own = [one for kind in kinds for one in window.findChildren(kind) if not one.objectName().startswith("qt_")]
    assert len(own) >= 8
    assert [one for one in own if not one.accessibleName()] == []


def test_the_help_card_names_every_key_of_the_strips(make: Maker, qtbot) -> None:
    window = make()
    window.menus.help.actions()[0].trigger()
    card = window.findChild(HelpCard)
    assert card is not None and not card.isModal()
    cells = [
        table.item(row, 0).text()
        for table in card.findChildren(QtWidgets.QTableWidget)
        for row in range(table.rowCount())
    ]
    assert any("space bar" in text for text in cells) and any("wheel" in text for text in cells)
    card.close()
