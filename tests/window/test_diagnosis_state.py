"""What the replay view shows, without Qt."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.onset import find_onset
from whirlbench.errors import AnalysisError
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples
from whirlbench.window.pages.diagnosis_state import (
    Playback,
    align_on_rpm,
    compare_order,
    map_picture,
    markers,
    playback_of,
)


def spin(rpm_points, size_g=0.5, seed=0):
    """A run through (time, rpm) points with 1P of ``size_g`` at any speed, on one axis."""
    at_s, rpm = np.array(rpm_points, float).T
    time_s = np.arange(at_s[0], at_s[-1], 1 / 1600)
    hz = np.interp(time_s, at_s, rpm) / 60.0
    turn = np.concatenate([[0.0], np.cumsum((hz[1:] + hz[:-1]) / 2 / 1600)])
    pulses = np.interp(np.arange(0, np.floor(turn[-1])), turn, time_s)
    noise = 0.02 * np.random.default_rng(seed).standard_normal(len(time_s))
    slow_s = np.arange(at_s[0], at_s[-1], 0.02)
    return Run(
        slow=SlowSamples(slow_s, rpm=np.interp(slow_s, at_s, rpm)),
        tach=TachPulses(pulses),
        vibration=VibrationSamples(time_s, ay_g=size_g * np.cos(2 * np.pi * turn) + noise, rate_hz=1600.0),
    )


UP_AND_DOWN = [(0, 1500), (5, 1500), (15, 4500), (25, 4500), (35, 1500), (40, 1500)]
LATER_AND_SLOWER = [(0, 1500), (8, 1500), (28, 4500), (33, 4500), (53, 1500), (58, 1500)]


def test_it_is_free_of_qt():
    program = "import sys, whirlbench.window.pages.diagnosis_state; sys.exit(any('Qt' in name for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_map_picture_has_its_line_at_order_one_and_a_cursor():
    picture = map_picture(spin(UP_AND_DOWN))
    assert picture.axis == "ay_g"
    middle = np.searchsorted(picture.time_s, 20.0)
    assert picture.order[np.nanargmax(picture.level_db[middle])] == pytest.approx(1.0)
    time_s, rpm, order, amplitude_g = picture.cursor(20.0, 1.02)
    assert (time_s, rpm) == (pytest.approx(20.0, abs=0.3), pytest.approx(4500.0, rel=0.01))
    assert order == pytest.approx(1.0) and amplitude_g == pytest.approx(0.5, rel=0.05)
    assert picture.level_db.min() >= 0.0


def test_runs_are_aligned_on_speed_and_direction():
    first, second = spin(UP_AND_DOWN), spin(LATER_AND_SLOWER, seed=1)
    alignment = align_on_rpm(first, second)
    assert alignment.second_at(10.0) == pytest.approx(18.0, abs=1.0)  # 3000 rpm, rising
    assert alignment.second_at(30.0) == pytest.approx(43.0, abs=1.0)  # 3000 rpm, falling
    assert np.isnan(alignment.second_at(999.0))
    faster = align_on_rpm(spin([(0, 1500), (10, 6000), (20, 6000)]), second)
    assert np.isnan(faster.second_at(15.0))


def test_one_order_of_two_runs_against_speed():
    compared = compare_order(spin(UP_AND_DOWN, 0.5), spin(LATER_AND_SLOWER, 0.8, seed=1), "ay_g")
    both = np.isfinite(compared.first_g) & np.isfinite(compared.second_g)
    assert both.sum() > 40
    assert np.median(compared.first_g[both]) == pytest.approx(0.5, abs=0.02)
    assert np.median(compared.second_g[both]) == pytest.approx(0.8, abs=0.02)
    with pytest.raises(AnalysisError, match="no az_g"):
        compare_order(spin(UP_AND_DOWN), spin(UP_AND_DOWN), "az_g")


def test_markers_are_in_order_and_hold_what_was_found():
    run = spin([(0, 4500), (60, 4500)])
    grown = run.vibration.ay_g * (1 + 0.05 * np.maximum(run.vibration.time_s - 30.0, 0.0))
    run = replace(
        run,
        vibration=replace(run.vibration, ay_g=grown),
        events=(Event(50.0, "note", "smell of glue"), Event(2.0, "state", "turning")),
    )
    report = find_onset(run)
    found = markers(run, report, (("vibration_g_rms", 45.0),))
    assert [one.at_s for one in found] == sorted(one.at_s for one in found)
    kinds = {one.kind for one in found}
    assert {"note", "state", "onset", "caution", "trip"} <= kinds
    onset = next(one for one in found if one.kind == "onset")
    assert onset.from_s <= 30.0 <= onset.to_s
    assert markers(run, None) == tuple(sorted((m for m in found if m.kind in ("note", "state")), key=lambda m: m.at_s))


def test_playback_runs_jumps_and_stays_inside():
    playback = playback_of(spin([(0, 3000), (20, 3000)]))
    assert (playback.from_s, playback.playing) == (0.0, False)
    assert playback.advanced(1.0) == playback
    going = playback.started().paced(10.0).advanced(0.5)
    assert going.at_s == pytest.approx(5.0) and going.playing
    ended = going.paced(1000.0).advanced(1.0)
    assert ended.pace == 100.0 and ended.at_s == ended.to_s and not ended.playing
    assert ended.started().at_s == 0.0
    assert playback.paced(0.001).pace == 0.1
    assert playback.moved_to(-5.0).at_s == 0.0


def test_jumping_between_markers():
    run = replace(Run(), events=(Event(1.0, "note", "a"), Event(3.0, "note", "b")))
    found, playback = markers(run, None), Playback(0.0, 10.0, 0.0)
    assert playback.at_next(found).at_s == 1.0
    assert playback.at_next(found).at_next(found).at_s == 3.0
    assert playback.moved_to(9.0).at_next(found).at_s == 9.0
    assert playback.moved_to(9.0).at_next(found, forward=False).at_s == 3.0


def test_what_cannot_be_shown_is_refused_by_name():
    bare = Run()
    assert playback_of(bare).to_s == 0.5
    with pytest.raises(AnalysisError, match="no vibration"):
        map_picture(bare)
    with pytest.raises(AnalysisError, match="no rpm channel"):
        align_on_rpm(bare, bare)
