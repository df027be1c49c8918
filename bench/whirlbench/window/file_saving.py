"""Asks where something is to be saved; the ending of the name follows the kind that is chosen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PyQt5 import QtCore, QtWidgets


def ask_path(
    parent: QtWidgets.QWidget, title: str, name: str, kinds: Sequence[str], take: Callable[[Path], None]
) -> None:
    """Calls ``take`` with the path chosen. ``kinds`` are filters with one ending each, such as "picture (*.png)"."""
    # Qt's own dialogue, not modal: a live session's clock must go on, and its power cut be in reach
    dialog = QtWidgets.QFileDialog(parent, title, name, ";;".join(kinds))
    dialog.setOption(QtWidgets.QFileDialog.DontUseNativeDialog)
    dialog.setAcceptMode(QtWidgets.QFileDialog.AcceptSave)
    dialog.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.setDefaultSuffix(_ending(kinds[0]))
    dialog.filterSelected.connect(lambda kind: _take_kind(dialog, kind))
    dialog.fileSelected.connect(lambda path: take(Path(path)))
    dialog.show()


def _take_kind(dialog: QtWidgets.QFileDialog, kind: str) -> None:
    """The name typed so far, with the ending of the kind chosen now."""
    dialog.setDefaultSuffix(_ending(kind))
    for path in dialog.selectedFiles()[:1]:
        if not Path(path).is_dir():
            dialog.selectFile(Path(path).with_suffix(f".{_ending(kind)}").name)


def _ending(kind: str) -> str:
    return kind.rpartition("*.")[2].rstrip(")")
