"""Pictures of every screen: `python tests/benchmarks/window_screens.py FOLDER [--only WORD]`.

Page x state x palette x size: the stand view in every scene of ``tests/window/scenes.py``, and every page of a
recorded run, in each palette, at 1024 x 600, 1366 x 768, 1920 x 1080 at 150 % and 2560 x 1440. What the measure of the
screen finds (``tests/window/screen_faults.py``) is printed beside the name of its picture; any fault ends with 1.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS / "window"), str(TESTS / "session")]
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")

RECORDING = TESTS.parent / "recordings" / "root_crack.h5"
PAGE_PATIENCE_S = 120.0


@dataclass(frozen=True)
class Screen:
    """A screen by its pixels and its scale, which Qt takes once for a whole process."""

    name: str
    width: int
    height: int
    scale: float = 1.0


SCREENS = (
    Screen("1024x600", 1024, 600),
    Screen("1366x768", 1366, 768),
    Screen("1920x1080-150", 1920, 1080, 1.5),
    Screen("2560x1440", 2560, 1440),
)


def main() -> int:
    """Takes the pictures, one process a scale; 1 when a screen has a fault."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="a word that the picture's name has to hold")
    parser.add_argument("--scale", type=float, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    if asked.scale is not None:
        return 1 if take([one for one in SCREENS if one.scale == asked.scale], asked.folder, asked.only) else 0
    found = [_other_process(scale) for scale in sorted({one.scale for one in SCREENS})]
    return max(found)


def _other_process(scale: float) -> int:
    environment = {**os.environ, "QT_SCALE_FACTOR": f"{scale:g}"}
    return subprocess.run([sys.executable, *sys.argv, "--scale", f"{scale:g}"], env=environment, check=False).returncode


def take(screens: list[Screen], folder: Path, only: str) -> int:
    """Number of faults over all pictures of ``screens``."""
    from PyQt5 import QtWidgets

    from whirlbench.window.drawing import palette

    app, count = QtWidgets.QApplication([]), 0
    for chosen in palette.PALETTES:
        palette.choose(chosen)
        app.setStyleSheet(palette.style_sheet())
        for name, window in _windows(app, only):
            for screen in screens:
                picture = f"{name}_{chosen}_{screen.name}".replace(" ", "-").replace(",", "")
                if only in picture:
                    count += _take_one(app, window, screen, folder / f"{picture}.png")
    return count


def _take_one(app, window, screen: Screen, path: Path) -> int:
    from screen_faults import faults

    window.resize(round(screen.width / screen.scale), round(screen.height / screen.scale))
    app.processEvents()
    if window.bridge is not None:
        window.bridge.panel.advance()
        app.processEvents()
    window.grab().save(str(path))
    found = faults(window) if window.bridge is not None else []
    print(path.name, *found, sep="\n    ", flush=True)
    return len(found)


def _windows(app, only: str) -> Iterator[tuple[str, object]]:
    """Every screen by name, one after the other, in the palette chosen now."""
    import scenes

    for name, scene in scenes.SCENES.items():
        key = f"stand_{name}"
        with tempfile.TemporaryDirectory() as folder, scenes.shown(scene, Path(folder), app.processEvents) as window:
            for page in ("limits", "map", "vibration", "events") if name == "turning" else ("limits",):
                side = window.bridge.panel.side
                side.setCurrentIndex(next(i for i in range(side.count()) if side.tabText(i) == page))
                yield key if page == "limits" else f"{key}_{page}", window
    if not only or "page" in only or only.startswith("page"):
        yield from _pages(app)


def _pages(app) -> Iterator[tuple[str, object]]:
    """Every page of a recorded run, once it has been computed."""
    with _window_on(RECORDING) as window:
        for row in range(window.page_names.count()):
            window.page_names.setCurrentRow(row)
            page, until_s = window.pages.widget(row), time.monotonic() + PAGE_PATIENCE_S
            while getattr(page, "panel", page) is None and time.monotonic() < until_s:
                app.processEvents()
                time.sleep(0.02)
            yield f"page_{window.page_names.item(row).text()}", window


@contextmanager
def _window_on(recording: Path):
    from whirlbench.recording.files import read_run
    from whirlbench.rig.toml import parse_rig
    from whirlbench.window.drawing.strips import Replay
    from whirlbench.window.main_window import MainWindow
    from whirlbench.window.pages.page_work import Subject

    run = read_run(recording)
    replay = Replay(run, parse_rig(run.rig_text), 0.0)
    window = MainWindow()
    window.show_recording(replay.moved_to(0.5 * sum(replay.span_s())))
    window.offer_analyses(Subject(recording), has_rig=True)
    window.show()
    try:
        yield window
    finally:
        window.close()


if __name__ == "__main__":
    sys.exit(main())
