"""Whether Qt will find a screen. It ends the whole process when it does not, so that is asked before."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Mapping
from pathlib import Path

from whirlbench.errors import BenchError

ADVICE = (
    "run it on a desktop, forward one (`ssh -X`), or use the verbs that need no screen: `rehearse`, `spin`, `check`, "
    "`tune`, `limits`, `onset`"
)


def require_display(environment: Mapping[str, str] | None = None, platform: str = sys.platform) -> None:
    """BenchError in one line when Qt could not open a window.

    Nothing is asked off Linux, or where QT_QPA_PLATFORM chooses another platform than xcb.
    """
    environment = os.environ if environment is None else environment
    asked = environment.get("QT_QPA_PLATFORM", "").split(":")[0]
    if not platform.startswith("linux") or asked not in ("", "xcb"):
        return
    display, wayland = environment.get("DISPLAY", ""), environment.get("WAYLAND_DISPLAY", "")
    if not display and not (wayland and not asked):
        raise BenchError(f"the window cannot start: no display (DISPLAY and WAYLAND_DISPLAY are not set); {ADVICE}")
    if not wayland:
        _require_plugin()
        _require_server(display)


def _require_plugin() -> None:
    """Loads Qt's own plugin for X, so that the loader names the system library that is missing."""
    from PyQt5.QtCore import QLibraryInfo

    plugin = Path(QLibraryInfo.location(QLibraryInfo.PluginsPath)) / "platforms" / "libqxcb.so"
    try:
        ctypes.CDLL(str(plugin))
    except OSError as error:
        raise BenchError(
            f"the window cannot start: {error}; run `bash .ci/setup window`, or install the system libraries that Qt "
            "needs for X"
        ) from error


def _require_server(display: str) -> None:
    try:
        xcb = ctypes.CDLL("libxcb.so.1")
    except OSError:
        return  # under another name on this system: Qt will say
    xcb.xcb_connect.restype = ctypes.c_void_p
    connection = ctypes.c_void_p(xcb.xcb_connect(display.encode(), None))
    refused = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    if refused:
        raise BenchError(f"the window cannot start: no answer from the display {display!r} in DISPLAY; {ADVICE}")
