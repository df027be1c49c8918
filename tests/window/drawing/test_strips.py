"""What the window says, without a window."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event, Run, SlowSamples, VibrationSamples
from whirlbench.window.drawing.strips import Replay, describe, limit_lines


def replay(cursor_s: float = 1.0) -> Replay:
    time_s = np.arange(0.0, 4.0, 0.01)
    sine_s = np.arange(0.0, 4.0, 1 / 1600)
    run = Run(
        slow=SlowSamples(time_s, rpm=1000.0 * time_s, current_a=20.0 + 0 * time_s, voltage_v=40.0 + 0 * time_s),
        vibration=VibrationSamples(sine_s, ax_g=3.0 + np.sqrt(2.0) * np.sin(2 * np.pi * 100 * sine_s), rate_hz=1600),
        events=(
            Event(0.5, "state", "armed"),
            Event(1.5, "state", "turning"),
            Event(3.0, "trip", "overspeed", "2990"),
            Event(3.0, "state", "tripped"),
        ),
    )
    return Replay(run, parse_rig(example_rig_text()), cursor_s)


def test_readings_are_those_of_the_last_sample_before_the_cursor() -> None:
    readings = replay(2.005).readings()
    assert readings["rpm"] == pytest.approx(2000.0)
    assert math.isnan(readings["thrust_n"])


def test_vibration_is_the_windowed_rms_with_the_mean_removed() -> None:
    # 64 samples at 1600 Hz hold four whole periods of 100 Hz: the rms of a sine of amplitude sqrt(2) is 1.
    assert replay(2.0).readings()["vibration_g_rms"] == pytest.approx(1.0, abs=1e-6)


def test_a_reading_in_a_gap_is_none_and_not_an_old_one() -> None:
    time_s = np.append(np.arange(0.0, 1.0, 0.01), np.arange(3.0, 4.0, 0.01))
    held = Replay(Run(SlowSamples(time_s, rpm=np.full(len(time_s), 5000.0))), parse_rig(""), 0.0)
    assert held.moved_to(1.01).readings()["rpm"] == 5000.0
    assert math.isnan(held.moved_to(2.0).readings()["rpm"])
    assert held.moved_to(3.0).readings()["rpm"] == 5000.0


def test_margins_are_shares_of_the_limits_that_are_set() -> None:
    shares = {margin.label: margin.share for margin in replay(3.1).margins()}
    assert shares["overspeed"] == pytest.approx(3100 / 6000)
    assert shares["power"] == pytest.approx(800 / 3600)
    assert shares["least voltage"] == pytest.approx(32 / 40)
    assert math.isnan(shares["thrust"])


def test_the_state_at_the_cursor_follows_the_events() -> None:
    assert replay(0.1).state() == ("", "")
    assert replay(1.0).state()[0] == "armed"
    state, remark = replay(3.5).state()
    assert state == "tripped"
    assert "overspeed" in remark


def test_the_cursor_stays_inside_the_run() -> None:
    assert replay().moved_to(-5.0).cursor_s == 0.0
    assert replay().moved_to(99.0).cursor_s == pytest.approx(4.0 - 1 / 1600)  # the last sample of any stream


def test_an_empty_run_can_be_shown() -> None:
    empty = Replay(Run(), parse_rig(""), 0.0)
    assert empty.margins() == ()
    assert math.isnan(empty.readings()["rpm"])


def test_limit_lines_only_where_the_rig_sets_a_limit() -> None:
    assert limit_lines(parse_rig(""))["rpm"] is None
    assert limit_lines(replay().rig)["rpm"] == 6000


def test_an_event_is_one_line() -> None:
    assert describe(Event(1.5, "trip", "vibration", "4.2 g rms")) == "    1.500 s  trip: vibration (4.2 g rms)"
