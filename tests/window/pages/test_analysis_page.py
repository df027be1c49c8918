"""Pages that are computed when they are opened: lazily, with progress, stoppable, and with plain words when in vain."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import page_runs
import pytest
from PyQt5 import QtCore, QtWidgets

from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.worker import Doing, Early


class NumberPanel(QtWidgets.QLabel):
    """Shows a number and can be asked."""

    asked = QtCore.pyqtSignal(object)

    def __init__(self, state: float) -> None:
        super().__init__(f"{state}")

    def show_state(self, state: float) -> None:
        self.setText(f"{state}")

    def refuse(self, text: str) -> None:
        self.setText(text)


def quiet_panel(state: float) -> QtWidgets.QLabel:
    """A panel that asks nothing."""
    return QtWidgets.QLabel(f"{state}")


Maker = Callable[..., AnalysisPage]


@pytest.fixture
def make(qtbot) -> Iterator[Maker]:
    made: list[AnalysisPage] = []

    def build(panel: Callable[[Any], QtWidgets.QWidget], work: Any, *args: object) -> AnalysisPage:
        page = AnalysisPage(panel, work, *args)
        qtbot.addWidget(page)
        made.append(page)
        return page

    yield build
    for page in made:
        page.close_work()


def test_nothing_is_computed_before_the_page_is_opened(make: Maker, qtbot) -> None:
    page = make(NumberPanel, page_runs.doubling, 3.0)
    assert not page.working
    page.show()
    assert page.working
    qtbot.waitUntil(lambda: page.panel is not None, timeout=20_000)
    assert page.panel.text() == "6.0"
    assert page.currentWidget() is page.panel


def test_questions_and_their_answers(make: Maker, qtbot) -> None:
    page = make(NumberPanel, page_runs.doubling, 3.0)
    page.show()
    qtbot.waitUntil(lambda: page.panel is not None, timeout=20_000)
    page.panel.asked.emit(21.0)
    qtbot.waitUntil(lambda: page.panel.text() == "42.0", timeout=20_000)
    page.panel.asked.emit(-1.0)
    qtbot.waitUntil(lambda: "not negative" in page.panel.text(), timeout=20_000)


def test_a_panel_that_asks_nothing_leaves_no_process(make: Maker, qtbot) -> None:
    page = make(quiet_panel, page_runs.doubling, 3.0)
    page.show()
    qtbot.waitUntil(lambda: page.panel is not None, timeout=20_000)
    assert page._worker is None
    assert not page._clock.isActive()


def test_progress_is_told_and_stop_stops(make: Maker, qtbot) -> None:
    page = make(NumberPanel, page_runs.endless)
    page.show()
    qtbot.waitUntil(lambda: page.line.text().startswith("counting to infinity … "), timeout=20_000)
    page.button.click()
    assert not page.working
    assert page.line.text().startswith("stopped")
    page.hide()
    page.show()
    assert not page.working  # what was stopped by hand does not begin again by itself
    page.button.click()
    assert page.working


@pytest.mark.parametrize(
    ("work", "args", "words"),
    [(page_runs.doubling, (-2.0,), "expected a value that is not negative"), (page_runs.dying, (), "without a result")],
)
def test_what_cannot_be_answered_is_a_plain_line(make: Maker, qtbot, work: Any, args: Any, words: str) -> None:
    page = make(NumberPanel, work, *args)
    page.show()
    qtbot.waitUntil(lambda: words in page.line.text(), timeout=20_000)
    assert page.panel is None
    assert page.button.text() == "compute again"


def test_an_early_result_is_shown_and_then_replaced(make: Maker) -> None:
    page = make(quiet_panel, page_runs.doubling, 1.0)
    page._take(Doing("adding"))
    page._take(Early(1.0))
    assert page.panel.text() == "1.0"
    page.panel.show_state = page.panel.setText
    page._take("2.0")
    assert page.panel.text() == "2.0"
