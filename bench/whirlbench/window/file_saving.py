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
    # a name with an ending gets the one of another kind from Qt; one without, from here
    dialog.filterSelected.connect(lambda kind: dialog.setDefaultSuffix(_ending(kind)))
    dialog.fileSelected.connect(lambda path: take(Path(path)))
    dialog.show()


def _ending(kind: str) -> str:
    return kind.rpartition("*.")[2].rstrip(")")
