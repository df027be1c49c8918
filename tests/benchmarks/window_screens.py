"""Pictures of every screen: `python tests/benchmarks/window_screens.py FOLDER [--only WORD ...]`.

Page x state x palette x size: the stand view in every scene of ``tests/window/scenes.py``, and every page of
``tests/window/pages/every_page.py`` with each of its sections, in each palette, at 1024 x 600, 1366 x 768, 1920 x 1080
at 150 % and 2560 x 1440. What the measure of the screen finds (``tests/window/screen_faults.py``), and every raw key
that is shown, is printed beside the name of its picture; any fault ends with 1. ``--only`` takes words, with each of
which a part of the picture's name has to begin: `--only page limits dark 1366x768`.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
# where the modules lie that the tests of the window share
SHARED = ("window", "window/pages", "window/drawing", "session", "session/still", "simulator")
sys.path[:0] = [str(TESTS / folder) for folder in SHARED]
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")


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
    parser.add_argument("--only", nargs="*", default=[], help="words with which parts of the picture's name begin")
    parser.add_argument("--scale", type=float, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    if asked.scale is not None:
        return 1 if take([one for one in SCREENS if one.scale == asked.scale], asked.folder, asked.only) else 0
    sizes = [word for word in asked.only if any(one.name.startswith(word) for one in SCREENS)]
    wanted = [one for one in SCREENS if all(one.name.startswith(word) for word in sizes)]
    return max((_other_process(scale) for scale in sorted({one.scale for one in wanted})), default=0)


def _other_process(scale: float) -> int:
    environment = {**os.environ, "QT_SCALE_FACTOR": f"{scale:g}"}
    command = [sys.executable, sys.argv[0], "--scale", f"{scale:g}", *sys.argv[1:]]
    return subprocess.run(command, env=environment, check=False).returncode


def take(screens: list[Screen], folder: Path, only: list[str]) -> int:
    """Number of faults over all pictures of ``screens``."""
    from PyQt5 import QtWidgets

    from whirlbench.window.drawing import palette
    from whirlbench.window.menus import show_palette

    app, count = QtWidgets.QApplication([]), 0
    with tempfile.TemporaryDirectory() as runs:
        for name, window in _windows(app, Path(runs), only):
            for chosen in palette.PALETTES:
                show_palette(chosen)
                for screen in screens:
                    picture = f"{name}_{chosen}_{screen.name}".replace(" ", "-").replace(",", "")
                    if _wanted(picture, only):
                        count += _take_one(app, window, screen, folder / f"{picture}.png")
    return count


def _wanted(picture: str, only: list[str]) -> bool:
    """Whether a part of the name begins with each word: `light` is not `sunlight`."""
    return all(any(part.startswith(word) for part in picture.split("_")) for word in only)


def _take_one(app, window, screen: Screen, path: Path) -> int:
    from readable import raw_keys
    from screen_faults import faults

    window.resize(round(screen.width / screen.scale), round(screen.height / screen.scale))
    for _ in range(3):  # a page lays itself out again once it knows its width
        app.processEvents()
    if getattr(window, "bridge", None) is not None:
        window.bridge.panel.advance()
        app.processEvents()
    window.grab().save(str(path))
    found = [*(faults(window) if hasattr(window, "abort_bar") else ()), *raw_keys(window)]
    print(path.name, *found, sep="\n    ", flush=True)
    return len(found)


def _windows(app, folder: Path, only: list[str]) -> Iterator[tuple[str, object]]:
    """Every screen by name, one after the other; those that no picture is wanted of are not made."""
    yield from _stands(app, folder, only)
    yield from _pages(app, folder, only)
    if _about("keys", only):
        import every_page

        with every_page.page("keys", folder, app.processEvents) as card:
            card.show()
            yield "keys", card


def _about(name: str, only: list[str]) -> bool:
    """Whether a picture whose name begins so can be wanted: the words left are those of palettes and sizes."""
    from whirlbench.window.drawing import palette

    rest = [*palette.PALETTES, *(screen.name for screen in SCREENS)]
    begins = name.replace(" ", "-").replace(",", "")
    return all(_wanted(begins, [word]) or any(one.startswith(word) for one in rest) for word in only)


def _stands(app, folder: Path, only: list[str]) -> Iterator[tuple[str, object]]:
    import scenes

    for name, scene in scenes.SCENES.items():
        tabs = ("limits", "map", "vibration", "events") if name == "turning" else ("limits",)
        keys = {tab: f"stand_{name}" if tab == "limits" else f"stand_{name}_{tab}" for tab in tabs}
        if not any(_about(key, only) for key in keys.values()):
            continue
        with scenes.shown(scene, folder / name.replace(" ", "_"), app.processEvents) as window:
            for tab, key in keys.items():
                side = window.bridge.panel.side
                side.setCurrentIndex(next(i for i in range(side.count()) if side.tabText(i) == tab))
                yield key, window


def _pages(app, folder: Path, only: list[str]) -> Iterator[tuple[str, object]]:
    """Every page in the window, as a recording's pages stand there, section by section."""
    import every_page

    from whirlbench.window.main_window import MainWindow
    from whirlbench.window.open_pages import RIG, STAND, START
    from whirlbench.window.settings import Settings

    groups = {"start": START, "rig": RIG, "calibration": STAND, "trial": STAND}
    names = [name for name in every_page.NAMES if name != "keys" and not name.startswith("stand, ")]
    with ExitStack() as opened:
        window = MainWindow(Settings(folder / "window.ini"))
        opened.callback(window.close)
        window.show()
        for name in [name for name in names if _about(f"page_{name}", only) or not only]:
            page = opened.enter_context(every_page.page(name, folder, app.processEvents))
            window.add_page(name, page, groups.get(name.split(",")[0], "root_crack"))
            window.page_names.setCurrentRow(window.page_names.count() - 1)
            every_page.settled(page, app.processEvents)
            yield from ((f"page_{name}{section}", window) for section in _sections(page, app))


def _sections(page, app) -> Iterator[str]:
    """Shows a page's sections, or parts, one after the other, and tells what to call each."""
    from whirlbench.window.pages.scroll_page import ScrollPage

    if not isinstance(page, ScrollPage) or page.sections.count() < 2:
        yield ""
        return
    row = page.sections
    for place in range(row.count()):
        row.setCurrentRow(place)
        app.processEvents()
        yield f"_{place}_{row.item(place).text()}"


if __name__ == "__main__":
    sys.exit(main())
