"""The calibration page: what it shows of the work, and that the rig is written with its comments."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from still_runs import RIG_TEXT, still_run

from whirlbench.cli.still.simulated_helper import SimulatedHelper
from whirlbench.rig.toml import read_rig
from whirlbench.session.still import still_stand
from whirlbench.window.calibration.calibration_page import CalibrationPage


@pytest.fixture(autouse=True)
def quick_readings(monkeypatch):
    """Readings of 0.7 s in place of two: enough samples of the slowest converter."""
    monkeypatch.setattr(still_stand, "READING_S", 0.7)


@pytest.fixture
def page(qtbot, tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(RIG_TEXT, encoding="utf-8")
    run = still_run()
    helper = functools.partial(SimulatedHelper, rig=run.stand.rig, port=run.port, rng=np.random.default_rng(1))
    entered = []
    made = CalibrationPage(
        run.stand.rig, RIG_TEXT, path, run.loop, helper, lambda rig: entered.append(rig) or "1 entered"
    )
    made._timer.stop()  # ticked by hand, on virtual time
    qtbot.addWidget(made)
    made.run, made.path, made.entered = run, path, entered
    yield made
    made.close_work()


def settle(page):
    for _ in range(3000):
        page.run.time.sleep(0.01)
        page.tick()
        if page.work.may_take:
            return
    raise AssertionError(page.work.doing)


def test_points_chart_and_headline_follow_and_the_rig_is_written(page):
    page.channel.setCurrentIndex(page.channel.findData("current_a"))
    page.begin()
    for text in ("", "20", "40", "60"):
        settle(page)
        page.typed.setText(text)
        page.take_button.click()
    settle(page)
    page.draw()

    assert page.points.rowCount() == 4 and page.live.item(0, 0).text() == "current"
    assert page.chart.chart.key == "residuals" and "1 A is 3.07" in page.headline.text()
    page.write_button.click()
    rig = read_rig(page.path)[0]
    assert rig.calibration["current_a"].span == (0.0, 60.0)
    assert "protractor on the blade" in page.path.read_text(encoding="utf-8")
    assert page.entered == [rig] and "1 entered" in page.doing.text()


def test_a_servo_is_not_begun_without_the_tick_which_holds_once(page):
    page.channel.setCurrentIndex(page.channel.findData("pitch"))
    page.begin()
    assert page.work is None and "open the isolator" in page.refused.text()

    page.clear.setChecked(True)
    page.begin()

    assert page.work is not None and not page.clear.isChecked()


def test_a_refusal_stands_on_the_page_and_nothing_can_be_written_yet(page):
    page.channel.setCurrentIndex(page.channel.findData("voltage_v"))
    page.begin()
    settle(page)
    page.typed.setText("full")
    page.take_button.click()

    assert "'full' was typed" in page.refused.text()
    assert not page.write_button.isEnabled() and page.points.rowCount() == 0
