"""A place that scrolls, for what may be higher than a small screen."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets


def scrolled(inside: QtWidgets.QWidget) -> QtWidgets.QScrollArea:
    """``inside`` where it may be higher than its place."""
    area = QtWidgets.QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QtWidgets.QFrame.NoFrame)
    area.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
    area.setWidget(inside)
    return area
