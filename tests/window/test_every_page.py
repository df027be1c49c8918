"""Every page with data on it: words of the trade, words that can be read, one screen, tables that copy, captions."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import every_page
import pytest
from PyQt5 import QtWidgets
from readable import RAW_KEY, pale_words, plain_letters, raw_keys, words
from screen_faults import page_faults

from whirlbench.calibration.guide import COURSES
from whirlbench.results.labels import LABELS, event_words, spoken
from whirlbench.rig.limits import TRENDS, WITH_MARGIN, WITH_RULE
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety.host_rules import host_rules
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Event
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.scroll_page import ScrollPage

SCREEN = (1280, 660)  # what a window of 1280 by 800 leaves to a page
SMALLEST = (1016, 490)  # of 1024 by 600
TEXT_CONTRAST = 4.5  # WCAG 2.2, 1.4.3
# what is as long as the run was, or the rig, scrolls in its place
LONG = {"trips and signals", "models and steps", "what it rests on", "entries"}


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture
def light(qapp: QtWidgets.QApplication) -> Iterator[None]:
    kept = qapp.styleSheet()
    yield
    palette.choose(palette.LIGHT)
    qapp.setStyleSheet(kept)


@pytest.mark.parametrize("name", every_page.NAMES)
def test_a_page_can_be_read_in_every_palette_and_speaks_the_words_of_the_trade(
    name: str, qapp: QtWidgets.QApplication, folder: Path, light: None
) -> None:
    with plain_letters(qapp), every_page.page(name, folder, qapp.processEvents) as page:
        page.resize(*SCREEN)
        page.show()
        every_page.settled(page, qapp.processEvents)
        assert raw_keys(page) == []
        assert len(list(words(page))) >= 2
        for chosen in palette.PALETTES:
            palette.choose(chosen)
            qapp.setStyleSheet(palette.style_sheet())
            for enabled in (True, False):
                page.setEnabled(enabled)
                qapp.processEvents()
                assert pale_words(page, TEXT_CONTRAST) == [], (chosen, enabled)
            page.setEnabled(True)
        check_charts_and_tables(page)
        check_screen(page, qapp)


@pytest.mark.parametrize("name", ["start", "rig", "replay", "calibration, under way", "trial, under way"])
def test_a_page_without_sections_has_room_on_the_smallest_screen(
    name: str, qapp: QtWidgets.QApplication, folder: Path
) -> None:
    with every_page.page(name, folder, qapp.processEvents) as page:
        page.resize(*SMALLEST)
        page.show()
        every_page.settled(page, qapp.processEvents)
        assert page.height() == SMALLEST[1] and page_faults(page) == []


def check_charts_and_tables(page: QtWidgets.QWidget) -> None:
    """Each chart has its axes named and a sentence, each table copies what it shows."""
    for view in page.findChildren(ChartView):
        chart = view.chart
        assert not chart.title or (chart.x_label and chart.caption.endswith(".")), chart.title
    for table in page.findChildren(TextTable):
        if not table.columnCount():
            continue  # before the first point
        table.copy()
        lines = QtWidgets.QApplication.clipboard().text().split("\n")
        assert len(lines) == 1 + table.rowCount() and lines[0].count("\t") == table.columnCount() - 1


def check_screen(page: QtWidgets.QWidget, app: QtWidgets.QApplication) -> None:
    """A page of sections fits the screen with each of them, nothing is wider than it, no table scrolls sideways."""
    assert page.size().width() == SCREEN[0] and page.minimumSizeHint().height() <= SCREEN[1]
    if not isinstance(page, ScrollPage):
        return
    assert page.verticalScrollBar().maximum() == 0 and page.heading.isVisible()
    for row in range(page.sections.count()):
        title = page.sections.item(row).text()
        page.sections.setCurrentRow(row)
        for _ in range(3):
            app.processEvents()
        area = page._stack.widget(row)
        assert title in LONG or area.verticalScrollBar().maximum() == 0, title
        sideways = [table.headings for table in area.findChildren(TextTable) if table.horizontalScrollBar().maximum()]
        assert sideways == [], title


def test_the_measure_finds_pale_words_and_hints(qapp: QtWidgets.QApplication, light: None) -> None:
    qapp.setStyleSheet(palette.style_sheet())
    with plain_letters(qapp):
        page = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(page)
        label, hinted, plain = QtWidgets.QLabel("readable"), HintedField(), QtWidgets.QLineEdit()
        hinted.setPlaceholderText("can be read")
        for widget in (label, hinted, plain):
            column.addWidget(widget)
        page.show()
        qapp.processEvents()
        assert pale_words(page, TEXT_CONTRAST) == []
        plain.setPlaceholderText("Qt's own grey")
        assert [one[:21] for one in pale_words(page, TEXT_CONTRAST)] == ['hint "Qt\'s own grey": '[:21]]
        label.setStyleSheet("color: #b0a890;")
        assert any(one.startswith("#b0a890 on") for one in pale_words(page, TEXT_CONTRAST))
        assert label.styleSheet() == "color: #b0a890;" and page.styleSheet() == ""
        page.close()


def test_every_key_that_a_run_can_name_has_its_words() -> None:
    """Limits, rules, trends, channels, axes, and columns of the calibrations."""
    rig = parse_rig(example_rig_text())
    keys = {limit.key for limit in (*WITH_MARGIN, *WITH_RULE, *TRENDS)} | {rule.name for rule in host_rules(rig)}
    keys |= {channel.name for channel in (*SLOW_CHANNELS, *VIBRATION_AXES)}
    for course in COURSES.values():
        keys |= {*course(rig).columns, *course(rig).signals.values()}
    assert {key for key in keys if "_" in key} <= LABELS.keys()
    assert not [key for key in keys if RAW_KEY.search(spoken(key))]


def test_an_event_is_told_in_words_and_a_note_as_it_was_typed() -> None:
    trip = Event(1.0, "limit", "lost_tach_ms", "lost_tach_ms 412, limit 400")
    assert event_words(trip) == "lost tach (lost tach 412 ms, limit 400 ms)"
    assert event_words(Event(1.0, "note", "note", "set thrust_n by hand")) == "set thrust_n by hand"
    assert event_words(Event(1.0, "state", "armed", "")) == "armed"
    assert spoken("hold throttle_us 1300, duration_s 3") == "hold throttle pulse 1300 us, duration 3 s"
    assert (
        spoken("pitch_deg 8 to 12, thrust_n 20 N; current_a 3 more")
        == "blade angle 8 to 12 deg, thrust 20 N; current 3 more"
    )
    assert spoken("limits.thrust_n is missing") == "limits.thrust_n is missing"  # a key of the file, to be typed there


def test_the_terminal_tells_events_in_the_same_words() -> None:
    from whirlbench.cli.spin_screen import _event_line

    line = _event_line(Event(58.1, "abort", "host rule", "vibration_g_rms 4.2, limit 4"))
    assert line == "   58.100 s  abort  host rule (vibration 4.2 g rms, limit 4 g rms)"
