"""Starts Qt, opens what the command line asked for, and returns when the window is closed."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from typing import Any

from whirlbench.errors import BenchError
from whirlbench.window.display import require_display

INTERRUPT_MS = 50


def require_qt() -> None:
    """BenchError in one line when the screen or a library of the window is missing, in that library's own words."""
    try:
        importlib.import_module("PyQt5.QtWidgets")
    except ImportError as error:
        raise BenchError(
            f"the window cannot start: {error}; run `bash .ci/setup window`, or install whirlbench[window] "
            "and the system libraries that Qt needs"
        ) from error
    require_display()


def run_window(prepare: Callable[[Any], None]) -> None:
    """Shows the MainWindow after ``prepare`` has filled it; returns when it was closed.

    Ctrl-C, a closed terminal and a request to end cut the power of a session and close the window once it has ended.

    The window is imported in here: before, nobody has said whether there is a Qt to import.
    """
    require_qt()
    from PyQt5 import QtCore, QtWidgets

    from whirlbench.session.process import EndingRequests
    from whirlbench.window import shown_units
    from whirlbench.window.drawing import palette
    from whirlbench.window.main_window import MainWindow
    from whirlbench.window.settings import Settings

    settings = Settings()
    if settings.scale != 1.0:
        os.environ.setdefault("QT_SCALE_FACTOR", f"{settings.scale:g}")  # Qt asks for it once, when it starts
    found = QtWidgets.QApplication.instance()
    app = found if isinstance(found, QtWidgets.QApplication) else QtWidgets.QApplication(["whirlbench"])
    palette.choose(settings.palette)
    for kind in shown_units.KINDS:
        shown_units.choose(kind, settings.unit(kind))
    app.setStyleSheet(palette.style_sheet())
    with EndingRequests() as requests:
        window = MainWindow(settings)
        prepare(window)
        window.show()
        wake = QtCore.QTimer()  # lets Python see the signal while Qt's loop runs
        wake.timeout.connect(lambda: window.cut_and_close() if requests.new() else None)
        wake.start(INTERRUPT_MS)
        try:
            app.exec_()
        finally:
            wake.stop()
