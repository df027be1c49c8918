"""The stand view on the screen: every state in words, colour and shape, and nothing out of sight at any size."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scenes
from PyQt5 import QtCore, QtGui, QtTest, QtWidgets
from screen_faults import faults

from whirlbench.results.vibration import OrderLevel
from whirlbench.samples import SLOW_CHANNELS, Event
from whirlbench.session.engine import CommandKind, Ending, Outcome, SlowRecord
from whirlbench.window.drawing import far_text, palette
from whirlbench.window.live import state_band
from whirlbench.window.live.bridge import FIGURES_EVERY, FRAME_MS, STRIPS_EVERY
from whirlbench.window.live.orders_panel import NO_LEVEL
from whirlbench.window.live.run_controls import TYPING
from whirlbench.window.live.spin_panel import STRIP_PX
from whirlbench.window.live.state_band import StateBand
from whirlbench.window.main_window import MainWindow
from whirlbench.window.stand_state.live_state import STATES, UNKNOWN

SIZES = {"1024x600": (1024, 600), "1366x768": (1366, 768), "1920x1080 at 150 %": (1280, 720), "2560x1440": (2560, 1440)}
# At the smallest size every scene is measured here; the others by tests/benchmarks/window_screens.py.
AT_EVERY_SIZE = ("turning by plan", "locked, not cleared", "ended")


@pytest.fixture(params=scenes.SCENES)
def scene(request) -> str:
    return request.param


@pytest.fixture
def application(qapp):
    qapp.setStyleSheet(palette.style_sheet())
    yield qapp
    qapp.setStyleSheet("")


def test_nothing_is_cut_off_or_covered_and_the_power_cut_is_on_the_screen(
    application, scene: str, tmp_path: Path
) -> None:
    with scenes.shown(scenes.SCENES[scene], tmp_path, application.processEvents) as window:
        found = {}
        side = window.bridge.panel.side
        side.setCurrentIndex(list(scenes.SCENES).index(scene) % side.count())  # every tab is seen in some scenes
        for name, size in list(SIZES.items())[: None if scene in AT_EVERY_SIZE else 1]:
            window.resize(*size)
            application.processEvents()
            window.bridge.panel.advance()
            application.processEvents()
            assert (window.width(), window.height()) == size
            found[name] = faults(window)
        assert not any(found.values()), "\n".join(f"{name}: {line}" for name, lines in found.items() for line in lines)
        told = (window.bridge.panel.band.state, window.abort_bar.text())
        assert told == EXPECTED[scene]


CUT, BOTH = "CUT THE POWER   (space bar)", "CUT THE POWER   (space bar)   AND OPEN THE ISOLATOR"
NO_CUT = "NO CUT FROM HERE: OPEN THE ISOLATOR"
EXPECTED = {
    "no device": (UNKNOWN, BOTH),
    "locked": ("locked", CUT),
    "locked, not cleared": ("locked", CUT),
    "armed": ("armed", CUT),
    "turning": ("turning", CUT),
    "turning by plan": ("turning", CUT),
    "near a limit": ("turning", CUT),
    "old data": ("turning", CUT),
    "lost tach": ("tripped", CUT),
    "tripped": ("tripped", CUT),
    "tripped by the host": ("tripped", CUT),
    "cut failed": ("tripped", CUT),
    "device silent": (UNKNOWN, BOTH),
    "session dead": (UNKNOWN, NO_CUT),
    "ended": (UNKNOWN, NO_CUT),
}


def test_the_measure_of_the_screen_finds_what_is_wrong(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel = window.bridge.panel
        panel.buttons[CommandKind.ARM].setFixedWidth(8)
        window.resize(1024, 600)
        application.processEvents()
        panel.figures.move(0, 60)
        panel.note.move(5000, 0)
        told = "\n".join(faults(window))
        assert "words are cut off: QPushButton arm" in told and "leaves" in told and "over one another" in told
        window.abort_bar.hide()
        assert any("not on the screen" in line for line in faults(window))


def test_figures_that_are_not_known_are_blank(application, tmp_path: Path) -> None:
    for name in ("lost tach", "session dead", "no device"):
        with scenes.shown(scenes.SCENES[name], tmp_path / name, application.processEvents) as window:
            panel = window.bridge.panel
            assert panel.band.speed == state_band.NOT_KNOWN
            assert all(one.margin.share != one.margin.share for one in panel.found if one.margin.key == "overspeed_rpm")
            assert not panel.throttle.isEnabled() and not panel.buttons[CommandKind.ARM].isEnabled()


def test_the_devices_limits_stand_beside_the_rigs(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel = window.bridge.panel
        told = {one.margin.key: panel.margin_panel.words(one) for one in panel.found}
        assert "/ 6000 rpm" in told["overspeed_rpm"] and "device 6000" in told["overspeed_rpm"]
        assert "device" in told["current_a"] and "device" not in told["thrust_n"]


def paint(band: StateBand) -> QtGui.QImage:
    return band.grab().toImage()


def test_every_state_has_its_own_words_colours_and_shape(application, qtbot, monkeypatch) -> None:
    band = StateBand()
    qtbot.addWidget(band)
    band.resize(1000, band.minimumHeight())
    assert len(set(state_band.PARTS.values())) == len(STATES)
    monkeypatch.setattr(state_band, "PARTS", dict.fromkeys(STATES, ("paper", "ink")))  # without colours
    shapes = []
    for state in STATES:
        band.show_state(state, "the same words", "", float("nan"))
        height = band.minimumHeight()
        shapes.append(paint(band).copy(QtCore.QRect(state_band.GAP_PX + 4, 4, height - 40, height - 44)))
    assert all(one != other for place, one in enumerate(shapes) for other in shapes[:place])


def test_far_figures_are_twenty_minutes_of_arc_at_two_metres(application, tmp_path: Path) -> None:
    """ISO 9241-303 and NUREG-0700 rev. 2, 1.3.1-4: 11.636 mm at 2 m."""
    assert abs(far_text.CAPITAL_MM - 11.636) < 2e-3
    assert far_text.capital_px(96.0) == pytest.approx(11.636 / 25.4 * 96.0, rel=1e-3)
    assert far_text.capital_px(30.0) == far_text.capital_px(96.0)  # what a screen tells of itself may be nonsense
    assert far_text.capital_px(float("nan")) == far_text.capital_px(96.0)
    with scenes.shown(scenes.SCENES["near a limit"], tmp_path, application.processEvents) as window:
        window.resize(1024, 600)
        application.processEvents()
        panel = window.bridge.panel
        least = far_text.capital_px(application.primaryScreen().physicalDotsPerInch())
        font = far_text.far_font(panel.figures)
        assert QtGui.QFontMetricsF(font).capHeight() >= least
        rows = panel.figures.rows(panel.figures.width())
        assert len(rows) >= 2  # on a narrow screen they stand below one another instead of becoming smaller
        for text in (*panel.figures.figures, *panel.figures._widest):
            assert far_text.fitted(font, text, panel.figures.width()) == font
        room = panel.band.width() - panel.band.height() - 40
        for state in ("turning", "unknown: open the isolator"):
            assert far_text.fitted(font, state, room) == font


def test_a_long_text_becomes_smaller_instead_of_being_cut(application, qtbot) -> None:
    band = StateBand()
    qtbot.addWidget(band)
    font = far_text.far_font(band)
    small = far_text.fitted(font, "cut failed: open the isolator", 300.0)
    assert far_text.width_px(small, "cut failed: open the isolator") <= 300.0


def test_another_palette_reaches_what_is_drawn_already(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["tripped"], tmp_path, application.processEvents) as window:
        try:
            palette.choose("dark")
            application.setStyleSheet(palette.style_sheet())
            application.processEvents()
            picture = window.grab().toImage()
            strips = window.bridge.panel.strips.grab().toImage()
            assert strips.pixelColor(1, 1).name() == palette.PAPER
            band = window.bridge.panel.band.mapTo(window, QtCore.QPoint(window.width() // 2, 3))
            assert picture.pixelColor(band).name() == palette.OVER
        finally:
            palette.choose(palette.LIGHT)


def test_the_whole_width_tells_the_state_on_every_page(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        window.add_page("another", QtWidgets.QLabel("another page"))
        window.page_names.setCurrentRow(1)
        application.processEvents()
        band = window.bridge.panel.band
        assert band.isVisible() and band.width() >= 0.95 * window.width()


def test_a_page_that_wants_more_room_does_not_push_the_power_cut_away(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        tall = QtWidgets.QLabel("tall")
        tall.setMinimumSize(900, 3000)
        window.add_page("tall", tall)
        window.page_names.setCurrentRow(1)
        window.resize(1024, 600)
        application.processEvents()
        assert window.centralWidget().layout().minimumSize().height() <= 600  # what a desktop is told
        bar = window.abort_bar
        assert window.rect().contains(QtCore.QRect(bar.mapTo(window, QtCore.QPoint(0, 0)), bar.size()))
        QtTest.QTest.mousePress(bar, QtCore.Qt.LeftButton)
        assert (CommandKind.ABORT, 0.0) in window.bridge.session.commands


def test_a_new_window_is_no_larger_than_its_screen(application, qtbot) -> None:
    window = MainWindow()
    qtbot.addWidget(window)
    room = application.primaryScreen().availableGeometry()
    assert window.width() <= room.width() and window.height() <= room.height()


def test_words_come_with_the_frame_that_brings_them_and_figures_a_few_frames_later(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel, session = window.bridge.panel, window.bridge.session
        session.progress = replace(session.progress, values={**session.progress.values, "rpm": 4460.0})
        panel.advance(figures=False)
        assert panel.band.speed == "4455 rpm"
        panel.advance(figures=True)
        assert panel.band.speed == "4460 rpm"
        for change in ({"state": "tripped"}, {"reason": "overspeed"}, {"message": "refused"}, {"withheld": "surface"}):
            session.progress = replace(session.progress, **change)
            before = (panel.band.state, panel.band.remark)
            panel.advance(figures=False)
            window.bridge.panel.hearing._held_back_at_s = -1.0  # a heartbeat that has been held back for long
            panel.advance(figures=False)
            assert (panel.band.state, panel.band.remark) != before, change


def test_a_sign_of_life_leaves_each_frame_strips_are_drawn_in_every_second_and_figures_five_times_a_second(
    application, tmp_path: Path, monkeypatch
) -> None:
    assert 0.15 <= FRAME_MS * FIGURES_EVERY / 1e3 <= 0.2 and FRAME_MS * STRIPS_EVERY <= 70
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        bridge, drawn, heard = window.bridge, [], []
        monkeypatch.setattr(bridge.session, "heard", lambda: heard.append(1))
        for part in ("strips", "figures"):
            widget = getattr(bridge.panel, part)
            name = "advance" if part == "strips" else "show_nearest"
            monkeypatch.setattr(widget, name, lambda *_, part=part: drawn.append((len(heard), part)))
        for _ in range(2 * FIGURES_EVERY):
            bridge._frame()
        assert len(heard) == 2 * FIGURES_EVERY
        assert [part for _, part in drawn].count("strips") == 2 * FIGURES_EVERY // STRIPS_EVERY
        assert [part for _, part in drawn].count("figures") == 2
        assert len({frame for frame, _ in drawn}) == len(drawn)  # never both in one frame


def test_a_trip_is_told_in_the_frame_that_brings_it_whichever_parts_are_due(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        bridge = window.bridge
        for frame in range(FIGURES_EVERY):
            bridge._frames = frame
            bridge.session.progress = replace(bridge.session.progress, state=("tripped", "turning")[frame % 2])
            bridge._frame()
            assert bridge.panel.band.state == bridge.session.progress.state


def test_the_newest_event_is_seen_though_another_page_was_open_when_it_came(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel = window.bridge.panel
        panel._list_events([Event(float(number), "note", "note", "words " * 20) for number in range(60)])
        panel.side.setCurrentIndex(3)
        application.processEvents()
        bar = panel.events.verticalScrollBar()
        assert bar.value() == bar.maximum() > 0


def test_an_ended_session_is_shown_whole_though_no_frame_comes_any_more(application, tmp_path: Path) -> None:
    """Its strips up to the last sample, as many as have room; no level of a vibration that nobody hears."""
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel, session = window.bridge.panel, window.bridge.session
        window.add_page("another", QtWidgets.QLabel("another page"))
        window.page_names.setCurrentRow(1)
        late_s = np.array([70.0])
        session.view.show([SlowRecord(late_s, {one.name: late_s for one in SLOW_CHANNELS}, {})], scenes.G_PER_COUNT)
        session.ended = Outcome(Ending.DONE)
        panel.orders.show_levels([OrderLevel("1P", 0.5)])
        window.bridge._frames = 3  # neither strips nor figures would be due
        window.bridge._frame()
        window.page_names.setCurrentRow(0)
        application.processEvents()
        assert panel.strips._newest == panel.trail.columns.newest == int(70.0 / panel.trail.columns.column_s)
        window.resize(1366, 1000)
        application.processEvents()
        assert len(panel.strips.shown) == min(panel.run.height() // STRIP_PX, len(panel.strips.strips)) > 4
        window.resize(1024, 600)
        application.processEvents()
        assert len(panel.strips.shown) == max(panel.run.height() // STRIP_PX, 2) < 5
        panel.side.setCurrentIndex(2)
        assert panel.orders.accessibleDescription() == NO_LEVEL and not panel.orders.levels


def test_what_came_with_the_end_of_a_session_is_told(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel, session = window.bridge.panel, window.bridge.session
        session.view.show(scenes.TRIPPED[1:2], scenes.G_PER_COUNT)
        session.ended, session.lives = Outcome(Ending.TRIPPED, "heartbeat lost"), False
        window.bridge._frame()
        assert "heartbeat lost" in panel.events.item(panel.events.count() - 1).text()
        assert "heartbeat lost" in panel.cause.words()


def test_who_types_a_note_is_told_what_the_space_bar_does(application, tmp_path: Path) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path, application.processEvents) as window:
        panel = window.bridge.panel
        QtWidgets.QApplication.sendEvent(panel.note, QtGui.QFocusEvent(QtCore.QEvent.FocusIn))
        assert panel.controls.said.text() == TYPING and "cuts the power" in TYPING
        QtWidgets.QApplication.sendEvent(panel.note, QtGui.QFocusEvent(QtCore.QEvent.FocusOut))
        assert panel.controls.said.text() == ""


def test_after_a_trip_the_coast_down_is_seen_and_the_check_list_waits_for_the_reset(
    application, tmp_path: Path
) -> None:
    with scenes.shown(scenes.SCENES["lost tach"], tmp_path, application.processEvents) as window:
        panel, session = window.bridge.panel, window.bridge.session
        assert panel.band.state == "tripped" and panel.run.isVisible() and not panel.check_list.isVisible()
        session.progress = replace(session.progress, phase="ready", state="locked", reason="")
        panel.advance()
        assert panel.check_list.isVisible() and not panel.buttons[CommandKind.ARM].isEnabled()


def test_the_map_keeps_the_way_of_the_point_and_none_of_a_tach_that_is_not_believed(
    application, tmp_path: Path
) -> None:
    with scenes.shown(scenes.SCENES["turning"], tmp_path / "one", application.processEvents) as window:
        places = window.bridge.panel.map._trail.places
        assert places.shape[1] > 200 and np.isfinite(places).all()
    with scenes.shown(scenes.SCENES["lost tach"], tmp_path / "two", application.processEvents) as window:
        panel, session = window.bridge.panel, window.bridge.session
        late_s = np.array([61.0])
        session.view.show([SlowRecord(late_s, {one.name: late_s for one in SLOW_CHANNELS}, {})], scenes.G_PER_COUNT)
        panel.advance()
        assert np.isnan(panel.map._trail.places[0, -1]) and panel.map._trail.places[1, -1] == 61.0
