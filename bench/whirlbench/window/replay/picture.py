"""What is seen of a replay, copied or saved: as a picture, as lines that stay sharp, as a table of its samples."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from PyQt5 import QtCore, QtGui, QtSvg, QtWidgets

from whirlbench.errors import BenchError, RecordingError
from whirlbench.recording.csv_exchange import write_csv
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Run, SlowSamples, TachPulses, VibrationSamples
from whirlbench.window.replay.strip_board import StripBoard
from whirlbench.window.replay.strip_view import StripView
from whirlbench.window.replay.traces import VIBRATION_RMS

SHARPNESS = 2  # pixels of a picture for each of the screen
FILTERS = ("picture (*.png)", "lines (*.svg)", "folder of tables (*.csv)")


def image_of(board: StripBoard) -> QtGui.QImage:
    """The strips as they are seen, twice as sharp."""
    image = QtGui.QImage(board.size() * SHARPNESS, QtGui.QImage.Format_RGB32)
    image.setDevicePixelRatio(SHARPNESS)
    painter = QtGui.QPainter(image)
    board.draw_on(painter)
    painter.end()
    return image


def copy(board: StripBoard) -> None:
    """The strips as they are seen, to the clipboard."""
    QtWidgets.QApplication.clipboard().setImage(image_of(board))


def save(board: StripBoard, run: Run, path: Path) -> str:
    """Saves what is seen in the form that the ending of ``path`` names, and says what was written.

    ``.png`` and ``.svg`` are drawings; ``.csv`` names a folder for the samples of what is seen, in the layout that
    `import` reads. BenchError for another ending, or where nothing can be written.
    """
    forms = {".png": _save_png, ".svg": _save_svg}
    if path.suffix.lower() == ".csv":
        files = write_csv(seen_of(run, board.view), path.with_suffix(""))
        return f"written: {', '.join(file.name for file in files)} in {path.with_suffix('')}"
    if path.suffix.lower() not in forms:
        raise BenchError(f"{path}: found the ending {path.suffix!r}, expected .png, .svg or .csv")
    try:
        path.parent.stat()
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written ({error.strerror or error})") from error
    if not forms[path.suffix.lower()](board, path):
        raise RecordingError(f"{path}: cannot be written; choose another place")
    return f"written: {path}"


def _save_png(board: StripBoard, path: Path) -> bool:
    return image_of(board).save(str(path), "PNG")


def _save_svg(board: StripBoard, path: Path) -> bool:
    target = QtCore.QFile(str(path))
    if not target.open(QtCore.QIODevice.OpenModeFlag.WriteOnly):
        return False
    generator = QtSvg.QSvgGenerator()
    generator.setOutputDevice(target)
    generator.setSize(board.size())
    generator.setViewBox(board.rect())
    generator.setTitle("recorded run")
    painter = QtGui.QPainter(generator)
    board.draw_on(painter)
    painter.end()
    target.close()
    return True


def seen_of(run: Run, view: StripView) -> Run:
    """The samples of the stretch that is seen, of the channels that are shown; the speed always, for `import` asks it.

    Vibration is kept by axis, as recorded, where any strip shows it.
    """
    names = {trace.channel.name for trace in view.shown} | {"rpm"}
    names |= {trace.behind.channel.name for trace in view.shown if trace.behind is not None}
    cut = run.between(view.span.from_s, view.span.to_s)
    slow: dict[str, Any] = {one.name: cut.slow.channel(one.name) for one in SLOW_CHANNELS if one.name in names}
    shaken = names & {VIBRATION_RMS.name, *(axis.name for axis in VIBRATION_AXES)}
    return replace(
        cut,
        slow=SlowSamples(cut.slow.time_s, **slow),
        tach=TachPulses(pulses_per_rev=run.tach.pulses_per_rev),
        vibration=cut.vibration if shaken else VibrationSamples(),
        rig_text="",
    )
