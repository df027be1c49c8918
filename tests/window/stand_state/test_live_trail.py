"""The trail of a live run keeps a minute, begins anew with the device's clock, and lays an earlier run beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest

from whirlbench.samples import SLOW_CHANNELS, Event, Run, SlowSamples, VibrationSamples
from whirlbench.session.engine import SlowRecord, VibrationRecord
from whirlbench.session.process import SharedView
from whirlbench.window.stand_state.live_trail import (
    ROW_NAMES,
    SHOWN_S,
    VIBRATION_ROW,
    EarlierRun,
    LiveTrail,
    RollingRows,
)

RPM = ROW_NAMES.index("rpm")
G_PER_COUNT = 0.01


@pytest.fixture
def view() -> Iterator[SharedView]:
    made = SharedView()
    yield made
    made.close()
    made.unlink()


def show_slow(view: SharedView, from_s: float, to_s: float, step_s: float = 0.02) -> None:
    time_s = np.arange(from_s, to_s, step_s)
    view.show([SlowRecord(time_s, {channel.name: time_s + 0.0 for channel in SLOW_CHANNELS}, {})], G_PER_COUNT)


def show_block(view: SharedView, at_s: float, axes: int = 3) -> None:
    counts = np.tile(np.array([[-100], [100]], dtype=np.int16), (8, axes))
    view.show([VibrationRecord(at_s, 0.000625, 0, counts)], G_PER_COUNT)


def test_rows_roll_over_and_keep_a_minute_in_one_piece() -> None:
    kept, rng = RollingRows(2, 700), np.random.default_rng(4)
    time_s = np.arange(0.0, 300.0, 0.1)
    first = 0
    while first < len(time_s):
        last = first + int(rng.integers(1, 40))
        kept.take(np.vstack((time_s[first:last], time_s[first:last])))
        first = last
    np.testing.assert_array_equal(kept.rows[0], time_s[time_s >= time_s[-1] - SHOWN_S])
    assert kept.rows[1].flags.c_contiguous
    kept.take(np.empty((2, 0)))
    kept.take(np.vstack((np.arange(300.0, 1300.0), np.arange(1000.0))))  # more at once than there is room for
    assert kept.rows[0, -1] == 1299.0 and kept.rows[0, 0] == 1239.0


def test_a_device_that_counts_anew_begins_a_new_trail(view: SharedView) -> None:
    trail = LiveTrail(view)
    trail.show_columns(60)
    show_slow(view, 100.0, 130.0)
    show_block(view, 129.9)
    trail.advance()
    assert trail.columns.newest == 129
    show_slow(view, 0.0, 2.0)
    trail.advance()
    assert trail.columns.newest == 1
    assert trail.channel("rpm").max() < 2.0 and trail.seconds_ago()[0] == pytest.approx(-1.98)
    show_block(view, 1.5)
    trail.advance()
    assert np.nanmax(trail.columns.high[VIBRATION_ROW]) == pytest.approx(math.sqrt(3.0))


def test_samples_between_two_looks_are_all_fresh(view: SharedView) -> None:
    trail = LiveTrail(view)
    for second in range(3):
        show_slow(view, second, second + 1.0)
        trail.advance()
    assert len(trail.take_fresh().channels["rpm"]) == 150
    assert len(trail.take_fresh().channels["rpm"]) == 0


def test_another_width_is_reduced_from_the_samples(view: SharedView) -> None:
    trail = LiveTrail(view)
    trail.show_columns(60)
    show_slow(view, 0.0, 90.0)
    show_block(view, 89.0)
    trail.advance()
    kept, wide = trail.columns, trail.show_columns(600)
    assert trail.show_columns(600) is wide and wide is not kept
    assert np.nanmin(wide.low[RPM]) == pytest.approx(90.0 - SHOWN_S, abs=0.2)
    assert np.nanmax(wide.high[VIBRATION_ROW]) == pytest.approx(math.sqrt(3.0))


def test_a_stand_without_accelerometer_has_no_vibration_not_a_calm_one(view: SharedView) -> None:
    trail = LiveTrail(view)
    show_block(view, 1.0, axes=0)
    trail.advance()
    assert np.isnan(trail.columns.high[VIBRATION_ROW]).all()


def earlier(events: tuple[Event, ...]) -> EarlierRun:
    time_s = np.arange(0.0, 40.0, 0.02)
    shaken_s = np.arange(0.0, 40.0, 1 / 1600)
    sine_g = 2.0 * np.sin(2 * np.pi * 100 * shaken_s)
    shaken = VibrationSamples(shaken_s, ax_g=sine_g, rate_hz=1600)
    return EarlierRun(Run(SlowSamples(time_s, rpm=100.0 * time_s), vibration=shaken, events=events))


def test_an_earlier_run_begins_where_it_began_to_turn() -> None:
    ghost = earlier((Event(5.0, "state", "armed"), Event(10.0, "state", "turning"))).columns(1.0)
    assert ghost is not None and ghost.newest == 29
    assert ghost.low[RPM, 0] == pytest.approx(1000.0) and ghost.high[RPM, 29] == pytest.approx(3998.0)
    assert np.nanmax(ghost.high[VIBRATION_ROW]) == pytest.approx(2.0, rel=0.01)


def test_an_earlier_run_that_never_turned_is_not_laid_anywhere() -> None:
    assert earlier((Event(5.0, "state", "armed"),)).columns(1.0) is None
