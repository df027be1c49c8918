"""No screen, no window, but one line that says so."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from whirlbench.errors import BenchError
from whirlbench.window.display import require_display

LINUX_ONLY = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="screens are asked for on Linux only")


def test_without_a_display_that_is_said() -> None:
    with pytest.raises(BenchError, match="DISPLAY and WAYLAND_DISPLAY are not set"):
        require_display({}, "linux")
    with pytest.raises(BenchError, match="no display"):
        require_display({"QT_QPA_PLATFORM": "xcb", "WAYLAND_DISPLAY": "wayland-0"}, "linux")


def test_another_platform_is_left_to_qt() -> None:
    require_display({}, "win32")
    require_display({}, "darwin")
    require_display({"QT_QPA_PLATFORM": "offscreen"}, "linux")
    require_display({"WAYLAND_DISPLAY": "wayland-0"}, "linux")


@LINUX_ONLY
def test_a_display_that_does_not_answer_is_named() -> None:
    with pytest.raises(BenchError, match=r"cannot start: .*(:987|libxcb|shared object)"):
        require_display({"DISPLAY": ":987"}, "linux")


@LINUX_ONLY
def test_the_command_ends_with_status_2_and_one_line() -> None:
    environment = {
        name: value
        for name, value in os.environ.items()
        if name not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    }
    code = "import sys; from whirlbench.cli.main import run; sys.exit(run(['window', '--port', 'simulated']))"
    outcome = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=60, check=False
    )
    assert outcome.returncode == 2
    assert outcome.stdout == ""
    assert len(outcome.stderr.splitlines()) == 1
    assert "no display" in outcome.stderr
