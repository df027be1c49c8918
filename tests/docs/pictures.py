"""Draws the pictures of guide and README: `python tests/docs/pictures.py`; needs the window's packages and a browser.

The recordings are those of `recordings/` and of one rehearsal, seed 7, which takes minutes: give the folder of one that
is there (`python tests/docs/pictures.py REHEARSAL`) to save them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Callable
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
PICTURES = TOP / "bench" / "docs" / "guide" / "pictures"
CRACK = TOP / "recordings" / "root_crack.h5"
WIDTH = 1100
LOADED_MS = 15_000  # the page is computed in a process of its own
WINDOW_PX = (1280, 800)
PAGE_PX = 600
PAGES = {"balance": "balance", "log": "log", "compare": "compare", "trial, under way": "trial"}
BROWSERS = ("chromium", "chromium-browser")


def window(_: Path) -> None:
    """The replay of a recorded run, as `whirlbench window` shows it, without a screen."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from PyQt5 import QtCore, QtWidgets

    from whirlbench.cli.main import run
    from whirlbench.window.main_window import MainWindow

    application = QtWidgets.QApplication(["whirlbench"])

    def shown_window() -> MainWindow:
        (shown,) = [one for one in application.topLevelWidgets() if isinstance(one, MainWindow)]
        return shown

    def keep_and_close() -> None:
        shown = shown_window()
        shown.grab().scaledToWidth(WIDTH, QtCore.Qt.TransformationMode.SmoothTransformation).save(
            str(PICTURES / "window.png")
        )
        shown.close()

    QtCore.QTimer.singleShot(0, lambda: shown_window().resize(*WINDOW_PX))  # the screen of this platform is small
    QtCore.QTimer.singleShot(LOADED_MS, keep_and_close)
    os.chdir(TOP)  # the picture shows the name as it was typed
    run(["window", str(CRACK.relative_to(TOP))])


def start_page(_: Path) -> None:
    """What `whirlbench window` shows with nothing given: no stand plugged in, two recordings opened before."""
    from PyQt5 import QtWidgets

    from whirlbench.window.start_page import StartPage

    application = QtWidgets.QApplication.instance() or QtWidgets.QApplication(["whirlbench"])
    page = StartPage(offers_stand=True)
    page.show_ports(())
    page.show_recent([Path("recordings") / name for name in ("root_crack.h5", "proof_spin.h5")])
    page.resize(WINDOW_PX[0], WINDOW_PX[1] // 2)
    page.show()
    application.processEvents()
    _keep(page, "window-start.png")


def stand_view(_: Path) -> None:
    """The stand view while the propeller turns, on a session that stands still."""
    sys.path[:0] = [str(TOP / "tests" / name) for name in ("window", "session")]
    from PyQt5 import QtWidgets
    from scenes import SCENES, shown

    application = QtWidgets.QApplication.instance() or QtWidgets.QApplication(["whirlbench"])
    with (
        tempfile.TemporaryDirectory() as folder,
        shown(SCENES["turning"], Path(folder), application.processEvents) as on,
    ):
        on.resize(*WINDOW_PX)
        application.processEvents()
        on.bridge.panel.advance()
        application.processEvents()
        _keep(on, "window-stand.png")


def pages(_: Path) -> None:
    """Balance, log of a set, comparison and trial of the trips, each with an answer on it."""
    settings = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    sys.path[:0] = [str(TOP / folder) for folder in settings["pythonpath"]]  # the tests' own pages
    import every_page
    from PyQt5 import QtWidgets

    from whirlbench.log import EntryKind, SetLog
    from whirlbench.window.drawing import palette
    from whirlbench.window.pages.balance_panel import BalancePanel

    application = QtWidgets.QApplication.instance() or QtWidgets.QApplication(["whirlbench"])
    application.setStyleSheet(palette.style_sheet())
    every_page.PLAIN["balance"] = lambda folder: BalancePanel(_balanced())
    with tempfile.TemporaryDirectory() as folder:
        with SetLog(Path(folder) / "page.sqlite", True) as log:
            for kind, text in (
                (EntryKind.INSPECTION, "roots, pins, marks: nothing found"),
                (EntryKind.NOTE, "new pins"),
            ):
                log.add("moulded", kind, text, "A. Tester")
        for name, file in PAGES.items():
            with every_page.page(name, Path(folder), application.processEvents) as shown:
                shown.resize(WINDOW_PX[0], PAGE_PX)
                shown.show()
                if name == "log":
                    shown.sections.setCurrentRow(1)  # its entries
                every_page.settled(shown, application.processEvents)
                _keep(shown, f"page-{file}.png")


def _balanced():
    """The correction of the demonstration's unbalance, as the guide asks for it."""
    from whirlbench.recording.files import read_run
    from whirlbench.results.balance import Fitting, balance_of_runs

    first, trial = (read_run(TOP / "recordings" / f"unbalance_{name}.h5") for name in ("as_found", "trial"))
    return balance_of_runs(first, trial, 1.5, 90.0, Fitting(32.0, 6.3, holes=6))


def _keep(shown, name: str) -> None:
    """A picture of a widget; a browser scales it to the page."""
    from PyQt5 import QtCore

    smooth = QtCore.Qt.TransformationMode.SmoothTransformation
    shown.grab().scaledToWidth(WIDTH, smooth).save(str(PICTURES / name))


def limits(rehearsal: Path) -> None:
    """Pitch against speed of the rehearsal's map."""
    shutil.copy(rehearsal / "limits.png", PICTURES / "limits.png")


def onset(_: Path) -> None:
    """Evidence against time in the run whose root cracks."""
    command("onset", str(CRACK), "--chart", str(PICTURES / "onset.png"))


def report(rehearsal: Path) -> None:
    """The head of the rehearsal's report, as a browser shows it."""
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        raise SystemExit(f"none of {', '.join(BROWSERS)} was found: the picture of the report needs a browser")
    with tempfile.TemporaryDirectory() as profile:
        quiet = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run")
        alone = ("--disable-background-networking", "--disable-sync", f"--user-data-dir={profile}")
        shot = (f"--screenshot={PICTURES / 'report.png'}", "--window-size=1000,1150")
        page = (rehearsal / "report.html").resolve().as_uri()
        subprocess.run([browser, *quiet, *alone, *shot, page], check=True, capture_output=True, timeout=120)


def command(*words: str) -> None:
    """One command of the program, which has to go well."""
    subprocess.run([sys.executable, "-m", "whirlbench", *words], check=True, stdout=subprocess.DEVNULL)


ALL: tuple[Callable[[Path], None], ...] = (window, start_page, stand_view, pages, limits, onset, report)


def main(rehearsal: Path | None) -> None:
    """Draws them all; rehearses first where no rehearsal is given."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        if rehearsal is None:
            rehearsal = Path(scratch) / "rehearsal"
            command("rehearse", "-o", str(rehearsal), "--speed", "1000", "--random-seed", "7")
        for draw in ALL:
            draw(rehearsal)
            print(f"{draw.__name__}.png", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
