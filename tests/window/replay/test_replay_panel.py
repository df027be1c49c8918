"""A recorded run in the window: cursor, events, play."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event, Run, SlowSamples
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.main_window import MainWindow
from whirlbench.window.replay.replay_panel import ReplayPanel


@pytest.fixture
def panel(qtbot) -> ReplayPanel:
    time_s = np.arange(0.0, 10.0, 0.01)
    events = (Event(2.0, "state", "turning"), Event(8.0, "trip", "overspeed", "6250"), Event(8.0, "state", "tripped"))
    run = Run(SlowSamples(time_s, rpm=700.0 * time_s), events=events, source="run.h5")
    made = ReplayPanel(Replay(run, parse_rig(example_rig_text()), 0.0))
    qtbot.addWidget(made)
    made.show()
    return made


def test_an_event_in_the_list_moves_the_cursor_to_it(panel: ReplayPanel) -> None:
    panel.events.setCurrentRow(1)
    assert panel.replay.cursor_s == 8.0
    assert panel.chain.state == "tripped"
    assert "overspeed" in panel.chain.remark


def test_limits_that_the_plan_narrowed_are_told_beside_the_margins(qtbot) -> None:
    told = ReplayPanel(Replay(Run(SlowSamples(np.arange(3.0))), parse_rig(""), 0.0, "judged by the narrower limits"))
    qtbot.addWidget(told)
    told.move_to(1.0)
    assert told.narrowed.text() == told.replay.narrowed == "judged by the narrower limits"
    assert not told.narrowed.isHidden()


def test_slider_and_chart_lead_to_the_same_place(panel: ReplayPanel) -> None:
    panel.slider.sliderMoved.emit(5000)
    assert panel.replay.cursor_s == pytest.approx(4.995, abs=0.01)
    panel.strips.cursor_moved.emit(3.0)
    assert panel.slider.value() == pytest.approx(3003, abs=5)
    assert panel.margin_panel.margins[0].value == pytest.approx(2100.0, abs=8.0)


def test_play_advances_at_the_chosen_pace_and_stops_at_the_end(panel: ReplayPanel, qtbot) -> None:
    panel.pace.setCurrentText("100×")
    panel.play.setChecked(True)
    qtbot.waitUntil(lambda: not panel.play.isChecked(), timeout=5000)
    assert panel.replay.cursor_s == pytest.approx(9.99)
    assert not panel.clock.isActive()


def test_the_main_window_keeps_the_power_cut_away_from_a_mere_replay(qtbot, panel: ReplayPanel) -> None:
    window = MainWindow()
    qtbot.addWidget(window)
    window.show_recording(panel.replay)
    window.show()
    assert not window.abort_bar.isVisible()
    assert window.page_names.item(0).text() == "replay"
