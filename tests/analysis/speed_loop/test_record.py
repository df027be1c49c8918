"""The speed record is unbiased in time, whatever the tach left of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.speed_loop import speed_record
from whirlbench.samples import Run, SlowSamples, TachPulses

DRIVE = {"throttle_us": LinearDrive(6.0, 0.08, time_constant_s=0.35)}
STEP = [LeverStep("throttle_us", 3.0, 100.0)]


def made(tach: bool = True, **faults: float) -> Run:
    return record_steps(DRIVE, STEP, 8.0, np.random.default_rng(3), faults=TachFaults(**faults), tach=tach)


def true_speed(time: np.ndarray) -> np.ndarray:
    return 4000.0 + 100.0 * DRIVE["throttle_us"].answer(time - 3.0)


@pytest.mark.parametrize("tach", [True, False], ids=["edges", "held channel"])
def test_speeds_stand_for_their_middle(tach):
    record = speed_record(made(tach))
    assert record.averaged
    assert record.origin == ("tach" if tach else "held rpm")
    error = record.speed_rpm - true_speed(record.mid_s)
    assert np.nanmax(np.abs(error)) < 4.0  # 12 ms averages of at most 1700 rpm/s, rounded to half a microsecond
    rising = (record.mid_s > 3.1) & (record.mid_s < 3.6)
    assert abs(np.nanmean(error[rising])) < 1.0  # 1 rpm there is 1 ms of delay


def test_held_edges_are_found_within_a_tenth_of_a_sample():
    run = made()
    found = speed_record(replace(run, tach=TachPulses())).edge_s
    nearest = run.tach.time_s[np.searchsorted(run.tach.time_s, found - 0.005).clip(0, len(run.tach.time_s) - 1)]
    assert np.max(np.abs(found - nearest)) < 2e-4


def test_missed_edges_are_bridged_and_counted():
    clean, torn = speed_record(made()), speed_record(made(missed=0.05))
    assert torn.dropped > 10
    assert np.nanmax(np.abs(torn.speed_rpm - true_speed(torn.mid_s))) < 10.0
    assert clean.dropped == 0


def test_lost_edges_that_come_together_are_counted_right():
    """Three double periods in five: a turn miscounted would be a jump of the shaft by a whole revolution."""
    edges = made().tach.time_s
    torn = np.delete(edges, [100, 102, 105, 300, 301, 302])
    record = speed_record(Run(tach=TachPulses(torn)))
    assert record.dropped == 6
    assert np.nanmax(np.abs(record.speed_rpm - true_speed(record.mid_s))) < 10.0


def test_an_edge_too_many_is_left_out():
    edges = made().tach.time_s
    extra = np.sort(np.append(edges, (edges[100] + edges[101]) / 2.0))
    record = speed_record(Run(tach=TachPulses(extra)))
    assert record.dropped == 1
    assert np.nanmax(np.abs(record.speed_rpm - true_speed(record.mid_s))) < 4.0


def test_a_gap_without_edges_is_a_gap():
    edges = made().tach.time_s
    record = speed_record(Run(tach=TachPulses(edges[(edges < 5.0) | (edges > 5.8)])))
    assert np.isnan(record.speed_rpm).sum() == 1
    assert np.nanmax(np.abs(record.speed_rpm - true_speed(record.mid_s))) < 4.0


def test_several_uneven_marks_are_taken_turn_by_turn():
    turns = np.arange(0.0, 6.0, 0.015)
    edges = np.sort(np.concatenate([turns, turns + 0.0055, turns + 0.0102]))
    record = speed_record(Run(tach=TachPulses(edges, pulses_per_rev=3)))
    assert record.speed_rpm == pytest.approx(4000.0, abs=1e-6)


def test_bare_samples_stay_samples_and_lose_their_spikes():
    time = np.arange(0.0, 8.0, 0.02)
    rpm = true_speed(time) + np.random.default_rng(4).normal(0.0, 5.0, len(time))
    rpm[77] = 0.0
    record = speed_record(Run(SlowSamples(time, rpm=rpm)))
    assert (record.averaged, record.origin, record.dropped) == (False, "rpm", 1)


def test_rounded_samples_know_their_step():
    time = np.arange(0.0, 8.0, 0.02)
    record = speed_record(Run(SlowSamples(time, rpm=10.0 * np.round(true_speed(time) / 10.0))))
    assert record.resolution_rpm == 10.0


def test_thinning_keeps_the_mean():
    record = speed_record(made())
    thin = record.thinned(5.0, 8).thinned_before(2.5, 8)
    assert len(thin.speed_rpm) < 0.6 * len(record.speed_rpm)
    span = (thin.edge_s[0], thin.edge_s[-1])
    assert thin.mean_rpm() == pytest.approx(record.between(span[0], span[1] + 1e-9).mean_rpm(), abs=1e-6)


def test_nothing_recorded_gives_an_empty_record():
    assert len(speed_record(Run()).speed_rpm) == 0
