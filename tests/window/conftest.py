"""The window's tests run on Qt's offscreen platform, with text in a known size, and never touch the user's settings."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from PyQt5 import QtWidgets
from pytestqt.qtbot import QtBot

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")


@pytest.fixture
def qtbot(qtbot: QtBot) -> QtBot:
    """Keeps what a test shows until it is closed: collected earlier, a widget may still be painted by Qt."""
    kept: list[QtWidgets.QWidget] = []
    add = qtbot.addWidget

    def keep(widget: QtWidgets.QWidget, **how: object) -> None:
        kept.append(widget)
        add(widget, **how)

    qtbot.addWidget = keep
    return qtbot


@pytest.fixture(autouse=True)
def no_settings_of_the_user(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of settings is one of the test's own."""
    folder = tmp_path_factory.mktemp("settings")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder))
    return folder
