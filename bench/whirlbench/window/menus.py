"""The menus of the window: everything it can do, with its key."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.help_card import HelpCard
from whirlbench.window.open_pages import OpenPages
from whirlbench.window.settings import SCALES, Settings
from whirlbench.window.stand_access import SIMULATED

FROM_NEXT_START = "drawn so from the next start on"
PAGE_KEYS = 9


@dataclass(frozen=True)
class WindowActions:
    """What the menus may ask of the window."""

    open_recording: Callable[[Path], object]
    ask_recording: Callable[[], object]
    close_recording: Callable[[], object]
    show_start: Callable[[], object]
    choose_stand: Callable[[str], object]
    reconnect: Callable[[], object]


class Menus:
    """Fills the menu bar of ``window`` and adds its shortcuts; ``settings`` None keeps nothing."""

    def __init__(
        self, window: QtWidgets.QMainWindow, actions: WindowActions, pages: OpenPages, settings: Settings | None
    ) -> None:
        self.window, self.actions, self.pages, self.settings = window, actions, pages, settings
        bar = window.menuBar()
        self.file, self.stand = bar.addMenu("&Recording"), bar.addMenu("&Stand")
        self.view, self.help = bar.addMenu("&View"), bar.addMenu("&Help")
        self._fill_file()
        self._fill_stand()
        self._fill_view()
        self._add(self.help, "&Keys", lambda: HelpCard(window).show(), "F1")
        self._page_shortcuts()

    def _add(self, menu: QtWidgets.QMenu, words: str, act: Callable[[], object], keys: str = "") -> QtWidgets.QAction:
        action = menu.addAction(words)
        action.triggered.connect(lambda _=False: act())
        if keys:
            action.setShortcut(QtGui.QKeySequence(keys))
        return action

    def _fill_file(self) -> None:
        self._add(self.file, "&Open …", self.actions.ask_recording, "Ctrl+O")
        self.recent = self.file.addMenu("Opened &last")
        self.show_recent(self.settings.recent() if self.settings is not None else ())
        self._add(self.file, "&Close this recording", self.actions.close_recording, "Ctrl+W")
        self.file.addSeparator()
        self._add(self.file, "&Quit", self.window.close, "Ctrl+Q")

    def show_recent(self, paths: Sequence[Path]) -> None:
        """The recordings opened last, the latest first."""
        self.recent.clear()
        for path in paths:
            self._add(
                self.recent, f"{path.name}   in {path.parent}", lambda path=path: self.actions.open_recording(path)
            )
        self.recent.setEnabled(bool(paths))

    def _fill_stand(self) -> None:
        self._add(self.stand, "&Start page", self.actions.show_start, "Ctrl+H")
        self._add(self.stand, "Si&mulated stand", lambda: self.actions.choose_stand(SIMULATED))
        self._add(self.stand, "Connect &again", self.actions.reconnect, "Ctrl+R")

    def _fill_view(self) -> None:
        settings = self.settings
        scales = self.view.addMenu("&Scale")
        chosen = QtWidgets.QActionGroup(scales)
        for scale in SCALES:
            action = self._add(scales, f"{100 * scale:.0f} %", lambda scale=scale: self._take_scale(scale))
            action.setCheckable(True)
            action.setChecked(settings is not None and settings.scale == scale)
            chosen.addAction(action)
        scales.setEnabled(settings is not None)

    def _take_scale(self, scale: float) -> None:
        if self.settings is not None:
            self.settings.scale = scale
            self.window.statusBar().showMessage(f"scale {100 * scale:.0f} %: {FROM_NEXT_START}")

    def _page_shortcuts(self) -> None:
        pages = self.pages
        keys: list[tuple[str, Callable[[], None]]] = [
            ("Ctrl+Tab", lambda: pages.step_page(1)),
            ("Ctrl+Shift+Tab", lambda: pages.step_page(-1)),
            ("Ctrl+PgDown", lambda: pages.step_group(1)),
            ("Ctrl+PgUp", lambda: pages.step_group(-1)),
        ]
        keys += [(f"Ctrl+{place + 1}", lambda place=place: pages.page_number(place)) for place in range(PAGE_KEYS)]
        for sequence, act in keys:
            shortcut = QtWidgets.QShortcut(QtGui.QKeySequence(sequence), self.window)
            shortcut.setContext(QtCore.Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(act)
