"""What an operator's hands do at the stand view, for tests."""

from __future__ import annotations

from PyQt5 import QtCore

from whirlbench.window.live.spin_panel import SpinPanel


def rpm_shown(panel: SpinPanel) -> float:
    words = panel.band.speed.removesuffix(" rpm")
    return float(words) if words.replace(".", "").isdigit() else 0.0


def raise_throttle(panel: SpinPanel, qtbot, until_us: float) -> None:
    """By commands of the greatest step, each once the stand has followed the one before."""
    while panel.throttle.present < until_us:
        bounds = panel.throttle.bounds
        asked = min(until_us, bounds.start(panel.throttle.present) + bounds.step)
        panel.throttle.setFocus()
        panel.throttle.setValue(asked)
        qtbot.keyClick(panel.throttle, QtCore.Qt.Key_Return)
        panel.throttle.clearFocus()
        qtbot.waitUntil(lambda asked=asked: follows(panel, asked), timeout=20_000)


def follows(panel: SpinPanel, asked_us: float) -> bool:
    """Whether the stand has followed a command; a trip meanwhile fails the test with its cause."""
    assert panel.band.state != "tripped", panel.band.remark
    return panel.throttle.present >= asked_us - 0.5
