"""The menus of the window: everything it can do, with its key."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window import shown_units
from whirlbench.window.drawing import palette
from whirlbench.window.help_card import HelpCard
from whirlbench.window.open_pages import OpenPages
from whirlbench.window.settings import PALETTES, SCALES, Settings
from whirlbench.window.stand_access import SIMULATED

FROM_NEXT_START = "drawn so from the next start on"
PAGE_KEYS = 9


@dataclass(frozen=True)
class WindowActions:
    """What the menus may ask of the window."""

    open_recording: Callable[[Path], None]
    ask_recording: Callable[[], None]
    close_recording: Callable[[], None]
    ask_recording_rig: Callable[[], None]
    show_start: Callable[[], None]
    choose_stand: Callable[[str], None]
    choose_rig: Callable[[], None]
    show_rig_form: Callable[[bool], None]
    reconnect: Callable[[], None]
    may_change_units: Callable[[], bool]


class Menus:
    """Fills the menu bar of ``window`` and adds its shortcuts; ``settings`` None keeps nothing."""

    def __init__(
        self, window: QtWidgets.QMainWindow, actions: WindowActions, pages: OpenPages, settings: Settings | None
    ) -> None:
        self.window, self.actions, self.pages, self.settings = window, actions, pages, settings
        self.units: dict[str, QtWidgets.QMenu] = {}
        bar = window.menuBar()
        assert bar is not None
        self.file, self.stand, self.view, self.help = (
            self._menu(bar, words) for words in ("&Recording", "&Stand", "&View", "&Help")
        )
        self._fill_file()
        self._fill_stand()
        self._fill_view()
        self._add(self.help, "&Keys", lambda: HelpCard(window).show(), "F1")
        self._page_shortcuts()

    def _menu(self, where: QtWidgets.QMenuBar | QtWidgets.QMenu, words: str) -> QtWidgets.QMenu:
        menu = QtWidgets.QMenu(words, where)
        where.addMenu(menu)
        return menu

    def _add(self, menu: QtWidgets.QMenu, words: str, act: Callable[[], None], keys: str = "") -> QtWidgets.QAction:
        action = QtWidgets.QAction(words, menu)
        menu.addAction(action)
        action.triggered.connect(lambda _: act())
        if keys:
            action.setShortcut(QtGui.QKeySequence(keys))
        return action

    def _fill_file(self) -> None:
        self._add(self.file, "&Open …", self.actions.ask_recording, "Ctrl+O")
        self.recent = self._menu(self.file, "Opened &last")
        self.show_recent(self.settings.recent() if self.settings is not None else ())
        self._add(self.file, "Judge it by another &rig …", self.actions.ask_recording_rig)
        self._add(self.file, "&Close this recording", self.actions.close_recording, "Ctrl+W")
        self.file.addSeparator()
        self._add(self.file, "&Quit", self._close, "Ctrl+Q")

    def show_recent(self, paths: Sequence[Path]) -> None:
        """The recordings opened last, the latest first."""
        self.recent.clear()
        for path in paths:
            self._add(
                self.recent, f"{path.name}   in {path.parent}", functools.partial(self.actions.open_recording, path)
            )
        self.recent.setEnabled(bool(paths))

    def _close(self) -> None:
        self.window.close()

    def _fill_stand(self) -> None:
        self._add(self.stand, "&Start page", self.actions.show_start, "Ctrl+H")
        self._add(self.stand, "Si&mulated stand", functools.partial(self.actions.choose_stand, SIMULATED))
        self._add(self.stand, "Connect &again", self.actions.reconnect, "Ctrl+R")
        self.stand.addSeparator()
        self._add(self.stand, "&Choose a rig …", self.actions.choose_rig)
        self._add(self.stand, "&Edit the rig chosen …", functools.partial(self.actions.show_rig_form, False))
        self._add(self.stand, "&New rig …", functools.partial(self.actions.show_rig_form, True))

    def _fill_view(self) -> None:
        """What is kept for the next day: without settings there is nothing to keep it in."""
        if self.settings is None:
            return
        scales = {f"{100 * scale:.0f} %": functools.partial(self._take_scale, scale) for scale in SCALES}
        palettes = {name: functools.partial(self._take_palette, name) for name in PALETTES}
        self._choice("&Scale", scales, f"{100 * self.settings.scale:.0f} %")
        self._choice("&Palette", palettes, self.settings.palette)
        for kind, units in shown_units.KINDS.items():
            acts = {unit.name: functools.partial(self._take_unit, kind, unit.name) for unit in units}
            self.units[kind] = self._choice(f"Unit of {kind}", acts, self.settings.unit(kind))

    def _choice(self, words: str, choices: Mapping[str, Callable[[], None]], chosen: str) -> QtWidgets.QMenu:
        menu = self._menu(self.view, words)
        group = QtWidgets.QActionGroup(menu)
        for name, act in choices.items():
            action = self._add(menu, name, act)
            action.setCheckable(True)
            action.setChecked(name == chosen)
            group.addAction(action)
        return menu

    def _take_scale(self, scale: float) -> None:
        if self.settings is not None:
            self.settings.scale = scale
            self.window.statusBar().showMessage(f"scale {100 * scale:.0f} %: {FROM_NEXT_START}")

    def _take_palette(self, name: str) -> None:
        if self.settings is not None:
            self.settings.palette = name
        show_palette(name)

    def _take_unit(self, kind: str, name: str) -> None:
        """Not while a session lives: figures that change their scale in mid-run are misread."""
        if self.settings is not None and self.actions.may_change_units():
            self.settings.keep_unit(kind, name)
            show_unit(self.window, kind, name)
        else:
            self.window.statusBar().showMessage("a session is running: units are changed when it has ended")
        self._tick_units(kind)

    def _tick_units(self, kind: str) -> None:
        for action in self.units[kind].actions():
            action.setChecked(action.text() == shown_units.chosen(kind))

    def _page_shortcuts(self) -> None:
        pages = self.pages
        keys: list[tuple[str, Callable[[], None]]] = [
            ("Ctrl+Tab", lambda: pages.step_page(1)),
            ("Ctrl+Shift+Tab", lambda: pages.step_page(-1)),
            ("Ctrl+PgDown", lambda: pages.step_group(1)),
            ("Ctrl+PgUp", lambda: pages.step_group(-1)),
        ]
        keys += [(f"Ctrl+{place + 1}", functools.partial(pages.page_number, place)) for place in range(PAGE_KEYS)]
        for sequence, act in keys:
            shortcut = QtWidgets.QShortcut(QtGui.QKeySequence(sequence), self.window)
            shortcut.setContext(QtCore.Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(act)


def show_unit(window: QtWidgets.QWidget, kind: str, name: str) -> None:
    """Shows quantities of ``kind`` everywhere in the window in another unit from now on."""
    shown_units.choose(kind, name)
    for widget in window.findChildren(QtWidgets.QWidget):
        if hasattr(widget, "take_units"):
            widget.take_units()


def show_palette(name: str) -> None:
    """Draws everything in another palette from now on."""
    palette.choose(name)
    application = QtWidgets.QApplication.instance()
    if isinstance(application, QtWidgets.QApplication):
        application.setStyleSheet(palette.style_sheet())
