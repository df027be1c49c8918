"""A recorded run in the window: cursor, events, play."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.results.onset import Moment
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event, Run, SlowSamples
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.main_window import MainWindow
from whirlbench.window.replay.recorded_run import FoundMoments
from whirlbench.window.replay.replay_panel import ReplayPanel, SpanQuestion
from whirlbench.window.replay.second_run import SecondRun


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


def test_a_question_is_put_to_the_selected_span_and_to_nothing_else(panel: ReplayPanel, qtbot) -> None:
    button = panel.span_buttons["spectrum"]
    assert not button.isEnabled()
    panel.strips.select((6.0, 4.0))
    assert button.isEnabled() and panel.span_line.text() == "4.000 to 6.000 s: 2.000 s selected"
    with qtbot.waitSignal(panel.span_asked) as asked:
        button.click()
    assert asked.args == [SpanQuestion("spectrum", 4.0, 6.0)]
    panel.strips.select(None)
    assert not button.isEnabled()


def test_a_second_run_lies_over_the_first_and_is_aligned_by_choice(panel: ReplayPanel, qtbot) -> None:
    first = panel.replay.run
    later = replace(first.slow, time_s=first.slow.time_s + 100.0)
    events = tuple(event._replace(time_s=event.time_s + 101.0) for event in first.events)
    with qtbot.waitSignal(panel.asked) as asked:
        panel.ask_second("other.h5")
    assert asked.args == ["other.h5"] and not panel.way.isVisible()
    panel.show_state(SecondRun(replace(first, slow=later, events=events, source="other.h5"), panel.replay.rig))
    assert panel.way.itemText(0) == "aligned by the beginning"
    assert panel.strips.view.beside["rpm"].at(5.0) == pytest.approx(3500.0, abs=7.1)
    panel.way.setCurrentText("aligned by trip: overspeed")
    panel.way.activated.emit(panel.way.currentIndex())
    assert panel.strips.view.beside["rpm"].at(5.0) == pytest.approx(4200.0, abs=7.1)
    panel.refuse("other.h5: no recording")
    assert panel.told.text() == "other.h5: no recording" and panel.strips.view.beside


def test_what_the_diagnosis_found_joins_the_list_and_why_there_is_nothing_is_said(panel: ReplayPanel) -> None:
    panel.show_state(FoundMoments((Moment(6.5, "onset", "growth: 1P moved first"),)))
    assert [panel.events.item(row).text().split()[2] for row in range(4)] == ["state:", "onset:", "trip:", "state:"]
    panel.events.setCurrentRow(1)
    assert panel.replay.cursor_s == 6.5
    panel.show_state(FoundMoments((), "the diagnosis has no marks: too short"))
    assert panel.told.text().endswith("too short") and panel.events.count() == 3
