"""What a back-test sees at a glance or piece by piece is what it would see one by one, or all at once."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest

from whirlbench.rig.description import Rig, Tach, Throttle, with_limits
from whirlbench.safety import steady_frames
from whirlbench.safety.back_test import back_test, feeding
from whirlbench.safety.back_test.sensor_shares import SensorShares
from whirlbench.safety.device_rules import OverspeedRule
from whirlbench.safety.host_rules import LEAST_EDGES, TICKS_PER_S, Batch, TachSpeedRule
from whirlbench.safety.own_band import LEARNED_FRAMES, OperatingPoint, OwnBand, Sameness
from whirlbench.safety.steady_frames import (
    FRAME_S,
    LEAST_RPM,
    LEAST_SAMPLES,
    SAME_COMMAND,
    SETTLED_FRAMES,
    SteadyFrames,
)
from whirlbench.safety.tach_marks import TachMarks
from whirlbench.safety.trend_rules import OWN_THRUST
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

PLACES = {1: (0.0,), 2: (0.0, 0.5), 4: (0.0, 0.21, 0.55, 0.7)}


def edges_of(rng: np.random.Generator, per_turn: int, share: float, turns: int = 500) -> np.ndarray:
    """Edges in ticks of a rotor that wanders about 6000 rpm; a ``share`` is missing, and as many are added."""
    length = 20_000 * np.exp(np.clip(np.cumsum(rng.uniform(-0.03, 0.03, turns)), -0.7, 1.0))
    starts = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    edges = np.rint((starts[:, None] + length[:, None] * np.array(PLACES[per_turn])).ravel()).astype(np.int64) + 1000
    kept = edges[rng.random(len(edges)) >= share]
    return np.unique(np.concatenate([kept, rng.integers(edges[0], edges[-1], int(share * len(edges)))]))


@pytest.mark.parametrize("per_turn", PLACES)
@pytest.mark.parametrize("share", [0.0, 0.004, 0.05])
def test_even_edges_leave_the_marks_as_one_by_one(per_turn: int, share: float) -> None:
    rng = np.random.default_rng([per_turn, int(1000 * share)])
    edges = edges_of(rng, per_turn, share)
    together, apart, taken = TachMarks(per_turn), TachMarks(per_turn), 0
    for piece in np.array_split(edges, np.sort(rng.integers(0, len(edges), 60))):
        turns = together.feed_even(piece)
        told = [(apart.feed(tick), apart.turn_ticks) for tick in piece.tolist()]
        if turns is None:
            for tick in piece.tolist():
                together.feed(tick)
        else:
            taken += len(piece)
            assert told == [(True, turn) for turn in turns.tolist()]
        assert vars(together) == vars(apart)
    assert (taken > 0.9 * len(edges)) if share == 0.0 else (0 < taken < 0.9 * len(edges))


@pytest.mark.parametrize("per_turn", PLACES)
@pytest.mark.parametrize("confirm", [1, 2])
def test_overspeed_at_a_glance_trips_where_it_does_edge_by_edge(per_turn: int, confirm: int) -> None:
    tripped = 0
    for seed in range(12):
        rng = np.random.default_rng([seed, per_turn])
        edges_s = edges_of(rng, per_turn, 0.002 * (seed % 3), 700) / TICKS_PER_S
        fastest = float(rng.uniform(6000.0, 11000.0))
        limits = with_limits(Rig(tach=Tach(pulses_per_rev=per_turn)), overspeed_rpm=fastest, overspeed_confirm=confirm)
        apart = TachSpeedRule(limits)
        steps = (apart.feed(Batch(edges_s=edges_s[at : at + 1])) for at in range(len(edges_s)))
        single = next((trip for trip in steps if trip is not None), None)
        assert TachSpeedRule(limits).feed(Batch(edges_s=edges_s)) == single
        tripped += single is not None
    assert 2 < tripped < 12 and LEAST_EDGES > 8


def whole_windows_s(vibration: VibrationSamples, length: int) -> float:
    """Seconds in windows of ``length`` of which every sample came, counted one by one."""
    good = np.isfinite(vibration.ay_g) & np.isfinite(vibration.az_g)
    numbers = vibration.running_numbers()[good] // length
    return sum(int((numbers == one).sum()) == length for one in set(numbers.tolist())) * length / vibration.rate_hz


@pytest.mark.parametrize("piece", [50, 64, 1000])
def test_windows_are_counted_across_pieces(piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feeding, "PIECE_SAMPLES", piece)
    rng, rig = np.random.default_rng(piece), Rig()
    kept = np.ones(3000, bool)
    kept[rng.integers(0, 3000, 12)] = False
    time_s = np.arange(3000)[kept] / 1600.0
    ay_g, az_g = np.zeros((2, len(time_s)))
    az_g[1234:1240] = np.nan
    vibration = VibrationSamples(time_s, ay_g=ay_g, az_g=az_g, rate_hz=1600.0, first_index=77)
    run = Run(vibration=vibration)
    expected = whole_windows_s(vibration, rig.limits.vibration_window_samples) / run.duration_s()
    assert 0.1 < expected < 0.95 and rig.limits.vibration_window_samples == 64
    assert SensorShares(run, rig).share(["vibration"]) == pytest.approx(expected, rel=1e-12)
    numbers = vibration.running_numbers()
    whole = [
        row for row in range(len(numbers) - 63) if numbers[row] % 64 == 0 and numbers[row + 63] - numbers[row] == 63
    ]
    assert feeding.window_begins(vibration, 64).tolist() == whole and len(whole) > 20


def test_the_last_window_counts_and_blanks_make_a_gap() -> None:
    vibration = VibrationSamples(np.arange(128) / 1600.0, ay_g=np.arange(128.0), rate_hz=1600.0, first_index=64)
    assert feeding.window_begins(vibration, 64).tolist() == [0, 64]
    ay_g = np.where((np.arange(128) > 9) & (np.arange(128) < 14), np.nan, np.arange(128.0))
    blocks = feeding._blocks(replace(vibration, ay_g=ay_g), ("ay_g",))
    assert [(block.first_index, len(block.time_s)) for block in blocks] == [(64, 10), (78, 114)]
    assert np.array_equal(
        np.concatenate([block.acceleration_g[:, 0] for block in blocks]), np.delete(ay_g, slice(10, 14))
    )


def frames_one_by_one(rig: Rig, slow: SlowSamples) -> list[tuple[int, bool, bool, tuple[float, float]]]:
    """(number, steady, driven, command) of each frame, by the words of ``Frame`` alone."""
    number = np.floor(slow.time_s / FRAME_S).astype(int)
    lever, found, settled, before = np.column_stack([slow.throttle_us, slow.servo_us]), [], 0, None
    for one in range(number[0], number[-1]):
        inside = number == one
        if not inside.any():
            before = None
            continue
        here = lever[inside]
        held = before is not None and bool((np.abs(here - before) <= SAME_COMMAND).all())
        before, settled = (before, settled + 1) if held else (here[-1], 0)
        driven = bool((slow.throttle_us[inside] > rig.throttle.safe_us).all())
        whole = bool((slow.rpm[inside] > LEAST_RPM).all()) and inside.sum() >= LEAST_SAMPLES
        found.append((one, driven and whole and settled >= SETTLED_FRAMES, driven, tuple(before.tolist())))
    return found


@pytest.mark.parametrize("cut", [1, 7, 400, 100_000])
def test_frames_are_the_same_however_many_come_at_once(cut: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(steady_frames, "PIECE_ROWS", 300)
    rng, rig = np.random.default_rng(4), Rig(throttle=Throttle(safe_us=1000))
    time_s = np.delete(np.arange(0.0, 60.0, 0.02), slice(1500, 1580))
    throttle_us = 1000.0 + 50.0 * np.repeat(rng.integers(0, 4, 10), 300)[: len(time_s)] + rng.uniform(0, 2, len(time_s))
    throttle_us[700:705] = np.nan
    rpm = np.where((time_s > 50.0) & (time_s < 50.3), 100.0, 3000.0)
    slow = SlowSamples(time_s, rpm=rpm, throttle_us=throttle_us, servo_us=np.full(len(time_s), 1500.0))
    frames, found = SteadyFrames(rig, ()), []
    for first in range(0, len(time_s), cut):
        rows = slice(first, first + cut)
        channels = {name: slow.channel(name)[rows] for name in ("rpm", "throttle_us", "servo_us")}
        for frame in frames.feed(Batch(time_s[rows], channels)):
            found.append((frame.number, frame.steady, frame.driven, frame.command))
            times_s = frame.samples("time_s")
            assert (times_s >= frame.from_s).all() and (times_s < frame.to_s).all()
            np.testing.assert_allclose(frame.mean("throttle_us"), frame.samples("throttle_us").mean(), rtol=1e-12)
    np.testing.assert_equal(found, frames_one_by_one(rig, slow))
    assert 5 < sum(steady for _, steady, _, _ in found) < len(found)


def test_rules_that_run_together_do_as_each_alone() -> None:
    """A back-test takes rules and trends through a run in one pass."""
    from whirlbench.safety.host_rules import host_rules, trend_rules

    time_s = np.arange(0.0, 60.0, 0.02)
    rig = with_limits(Rig(), current_a=40.0, thrust_n=30.0)
    thrust_n = np.where(time_s > 30.0, 25.0, 20.0) + 12.0 * (time_s > 50.0)
    slow = SlowSamples(
        time_s, rpm=np.full(len(time_s), 3000.0), throttle_us=np.full(len(time_s), 1500.0), thrust_n=thrust_n,
        servo_us=np.full(len(time_s), 1500.0), current_a=np.full(len(time_s), 20.0),
    )  # fmt: skip
    run = Run(slow=slow, tach=TachPulses(np.arange(0.02, 60.0, 0.02)))
    every = (*host_rules(rig), *trend_rules(rig))
    alone = [trip for rule in every for trip in back_test(run, [copy.deepcopy(rule)])]
    assert {trip.rule for trip in alone} >= {"thrust_n", "drift_thrust_pct"}
    assert set(back_test(run, every)) == set(alone)


def test_an_edge_that_may_be_one_too_many_is_left_to_the_closer_look() -> None:
    even = np.arange(40) * 1000
    for early, is_even in ((880, True), (870, False), (800, False), (200, False)):
        marks = TachMarks(1)
        for tick in even.tolist():
            marks.feed(tick)
        assert (marks.feed_even(even[-1:] + early) is not None) == is_even, early
    assert marks.feed(int(even[-1]) + 800) and marks.feed_even(even[-1:] + 1800) is None, "its other part is due"
    assert marks.feed(int(even[-1]) + 1000) and marks.extra == 1


def test_a_permitted_glance_begins_the_count_of_short_periods_anew() -> None:
    rule = OverspeedRule(limit_ticks=100, confirm=2)
    assert not rule.feed(99)
    assert not rule.all_permitted(np.array([120, 99]))
    assert rule.all_permitted(np.array([120, 100]))
    assert not rule.feed(99) and rule.feed(99)


def test_a_frame_is_held_against_the_nearest_point_not_the_kindest() -> None:
    band = OwnBand(Sameness(same_rpm=0.01, same_command=np.inf, per_rpm=1.0, per_pitch=0.5, pitch_slope=0.0))
    places = [OperatingPoint(rpm, 8.0) for rpm in (3000.0, 4000.0)]
    frames = [(places[0], 1.0)] * LEARNED_FRAMES + [(places[1], 2.0)] * LEARNED_FRAMES + [(places[0], 2.0)] * 4
    found = [band.departure(number, place, np.array([value])) for number, (place, value) in enumerate(frames)]
    assert found[LEARNED_FRAMES - 1] != found[LEARNED_FRAMES - 1]  # not judged before it was learned
    assert found[-1] == pytest.approx(1.0)


@pytest.mark.parametrize("command", [(1507.0, 1500.0), (1500.0, 1507.0)])
def test_a_lever_that_stands_elsewhere_is_another_point(command: tuple[float, float]) -> None:
    band, places = OwnBand(OWN_THRUST), [OperatingPoint(3000.0, 8.0, levers) for levers in ((1500.0, 1500.0), command)]
    found = [band.departure(number, places[number // 20], 1.0) for number in range(40)]
    assert len(band._points) == 2 and np.isfinite(found[19]) and found[-1] == 0.0
