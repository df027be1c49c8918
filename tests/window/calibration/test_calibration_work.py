"""The work behind the calibration page, without Qt: the same guide, the same refusals, every point on disk."""

from __future__ import annotations

import numpy as np
import pytest
from still_runs import still_run

from whirlbench.cli.still.simulated_helper import SimulatedHelper
from whirlbench.errors import CalibrationError
from whirlbench.safety.state_table import Stand
from whirlbench.session.still import still_stand
from whirlbench.window.calibration.calibration_work import CalibrationWork, Doing


@pytest.fixture(autouse=True)
def quick_readings(monkeypatch):
    """Readings of 0.7 s in place of two: enough samples of the slowest converter."""
    monkeypatch.setattr(still_stand, "READING_S", 0.7)


class Course:
    """A work on a simulated stand, ticked until it waits again."""

    def __init__(self, channel, points, clear=False):
        self.run = still_run()
        rng = np.random.default_rng(1)
        helper = SimulatedHelper(channel, self.run.stand.rig, self.run.port, rng)
        self.work = CalibrationWork(channel, self.run.stand.rig, self.run.loop, points, helper, clear)
        self.settle()

    def settle(self):
        for _ in range(4000):
            if self.work.may_take or self.work.doing in (Doing.FINISHED, Doing.FAILED):
                return
            self.run.time.sleep(0.01)
            self.work.tick()
        raise AssertionError(self.work.doing)

    def take(self, text=None):
        self.work.take(self.work.proposal if text is None else text)
        self.settle()


def test_a_load_cell_is_taken_point_by_point_and_saved_at_once(tmp_path):
    points = tmp_path / "points.csv"
    course = Course("thrust_n", points)
    for number in range(1, 5):
        course.take("" if number == 1 else f"{10 * number} N".removesuffix(" N"))
        assert len(points.read_text(encoding="utf-8").splitlines()) == number + 1

    found = course.work.result()

    assert found.values["calibration.thrust_n.units_per_count"] == pytest.approx(1.25e-4, rel=1e-2)
    course.work.undo()
    assert len(points.read_text(encoding="utf-8").splitlines()) == 4


def test_nonsense_is_told_and_takes_nothing(tmp_path):
    course = Course("thrust_n", tmp_path / "p.csv")
    course.take()

    for text in ("", "heavy", "1 lb"):
        course.work.message = ""
        course.take(text)
        assert "was typed: expected" in course.work.message and len(course.work.guide.rows) == 1


def test_a_mass_that_swings_is_refused(tmp_path):
    course = Course("thrust_n", tmp_path / "p.csv")
    course.work.take("")
    turn = 0
    while course.work.doing is not Doing.WAITING and turn < 1000:
        turn += 1
        course.run.port.hands.held["thrust_n"] = 5.0 * np.sin(0.1 * turn)
        course.run.time.sleep(0.01)
        course.work.tick()

    assert "wait until it stands still" in course.work.message and course.work.guide.rows == []
    assert course.work.live()["thrust_n"][1] is not None


def test_a_servo_moves_only_after_the_word_and_stands_locked_for_the_gauge(tmp_path):
    with pytest.raises(CalibrationError, match="open the isolator"):
        Course("pitch", tmp_path / "p.csv")

    course = Course("pitch", tmp_path / "p.csv", clear=True)

    assert course.run.stand.state is Stand.LOCKED
    assert course.run.port.device.plant.servo.position_us == pytest.approx(1060.0, abs=3.0)
    course.take()
    assert course.run.port.device.plant.servo.position_us == pytest.approx(1280.0, abs=3.0)


def test_too_few_points_are_no_calibration(tmp_path):
    course = Course("current_a", tmp_path / "p.csv")

    assert course.work.answer() is None
    assert "at least 3 are needed" in course.work.message


def test_a_port_that_vanishes_is_a_failure_in_words(tmp_path):
    course = Course("current_a", tmp_path / "p.csv")
    course.run.port.close()

    course.work.tick()

    assert course.work.doing is Doing.FAILED and "closed" in course.work.message
