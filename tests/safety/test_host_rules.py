"""Host rules: when they fire, and that the cutting of the stream does not matter."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from whirlbench.errors import RigError
from whirlbench.rig.description import Propeller, Rig, with_limits
from whirlbench.rig.limits import tip_mach_per_rpm
from whirlbench.safety.host_rules import AccelerometerRule, Batch, LevelRule, LoadCellRule, VibrationBlock, host_rules

# the tip reaches Mach 0.5 at 6100 rpm
RIG = Rig(propeller=Propeller(diameter_m=0.5 / (6100 * tip_mach_per_rpm(None, 1.0, None))))
LIMITS = with_limits(
    RIG,
    overspeed_rpm=6000, vibration_g_rms=1.0, vibration_window_samples=8, current_a=50, thrust_n=80, power_w=1500,
    minimum_voltage_v=30, tip_mach=0.5, lost_tach_ms=100, start_tach_ms=400, confirm_ms=10,
)  # fmt: skip

X = SimpleNamespace(series=lambda slow: slow["x"], single=lambda sample: sample["x"])


def healthy(seconds=2.0, rate_hz=500):
    time_s = np.arange(0, seconds, 1 / rate_hz)
    flat = np.ones_like(time_s)
    slow = {"rpm": 5000 * flat, "current_a": 30 * flat, "voltage_v": 36 * flat, "thrust_n": 50 * flat,
            "throttle_us": 1500 * flat}  # fmt: skip
    return time_s, slow, np.arange(0, seconds, 0.012)


def first_trips(time_s, slow, edges_s, limits=LIMITS):
    batch = Batch(time_s, slow, edges_s)
    return {trip.rule: trip for rule in host_rules(limits) if (trip := rule.feed(batch))}


def test_healthy_run_trips_nothing():
    assert first_trips(*healthy()) == {}


@pytest.mark.parametrize(
    ("channel", "value", "rules"),
    [
        ("current_a", 51, {"current_a", "power_w"}),
        ("current_a", 45, {"power_w"}),
        ("thrust_n", 81, {"thrust_n"}),
        ("voltage_v", 29, {"minimum_voltage_v"}),
        ("rpm", 6101, {"tip_mach"}),
    ],
)
def test_level_rules_fire_after_the_confirmation(channel, value, rules):
    time_s, slow, edges_s = healthy()
    slow[channel] = np.where(time_s >= 1.0, value, slow[channel])
    trips = first_trips(time_s, slow, edges_s)
    assert set(trips) == rules
    assert all(trip.at_s == pytest.approx(1.01, abs=1e-6) for trip in trips.values())


def test_a_value_of_exactly_the_limit_is_permitted():
    time_s, slow, edges_s = healthy()
    slow["thrust_n"] = np.full_like(time_s, 80.0)
    assert first_trips(time_s, slow, edges_s) == {}


def test_a_single_sample_trips_without_confirmation_and_not_with_it():
    spike = {"x": np.array([0.0, 9.0, 0.0])}
    batch = Batch(np.array([0.0, 0.002, 0.004]), spike)
    assert LevelRule("x", 5, X, 0.0).feed(batch).at_s == 0.002
    assert LevelRule("x", 5, X, 0.002).feed(batch) is None


def test_nan_is_never_beyond_and_interrupts_the_confirmation():
    batch = Batch(np.arange(4) * 0.002, {"x": np.array([9.0, np.nan, 9.0, 9.0])})
    trip = LevelRule("x", 5, X, 0.002).feed(batch)
    assert trip.at_s == pytest.approx(0.006)


def test_low_voltage_at_rest_is_no_trip():
    time_s, slow, _ = healthy()
    slow["voltage_v"], slow["throttle_us"] = np.zeros_like(time_s), np.full_like(time_s, 1000.0)
    assert first_trips(time_s, slow, np.empty(0)) == {}


def test_overspeed_from_edges_tells_the_speed():
    time_s, slow, edges_s = healthy()
    edges_s = np.concatenate((edges_s[edges_s < 1.0], np.arange(1.006, 2.0, 0.0099)))
    trip = first_trips(time_s, slow, edges_s)["overspeed_rpm"]
    assert trip.value == pytest.approx(60 / 0.0099, rel=1e-4)


def test_lost_tach_while_driven():
    time_s, slow, edges_s = healthy()
    trip = first_trips(time_s, slow, edges_s[edges_s < 1.0])["lost_tach_ms"]
    assert trip.at_s == pytest.approx(0.996 + 0.1, abs=0.003)


def test_lost_tach_allows_longer_for_the_first_edge():
    time_s, slow, _ = healthy()
    slow["throttle_us"] = np.where(time_s < 0.5, 1000.0, 1200.0)
    assert first_trips(time_s, slow, np.empty(0))["lost_tach_ms"].at_s == pytest.approx(0.9, abs=0.003)
    assert first_trips(time_s, slow, np.arange(0.85, 2, 0.05)) == {}


def test_tach_silence_with_the_throttle_closed_is_coasting():
    time_s, slow, edges_s = healthy()
    slow["throttle_us"] = np.where(time_s > 0.9, 1000.0, 1500.0)
    assert first_trips(time_s, slow, edges_s[edges_s < 1.0]) == {}


def test_vibration_uses_whole_aligned_windows():
    shake = np.tile([[1.5, 0.0], [-1.5, 0.0]], (16, 1))
    time_s = np.arange(32) / 1600
    quiet = VibrationBlock(3, time_s[:5], shake[:5] * 0)
    loud = VibrationBlock(8, time_s[5:], shake[5:])
    trips = [trip for rule in host_rules(LIMITS) if (trip := rule.feed(Batch(vibration=(quiet, loud))))]
    assert [trip.rule for trip in trips] == ["vibration_g_rms"]
    assert trips[0].at_s == time_s[12]
    assert trips[0].value == pytest.approx(1.5, abs=0.004)


@settings(max_examples=60, deadline=None)
@example(seed=3, cuts=np.arange(0.5, 1.5, 0.002).tolist())  # sample by sample, as most live batches are
@given(st.integers(0, 2**32 - 1), st.lists(st.floats(0.01, 1.9), max_size=8))
def test_cutting_the_stream_changes_nothing(seed, cuts):
    rng = np.random.default_rng(seed)
    time_s, slow, edges_s = healthy()
    for name, spread in (("current_a", 8), ("thrust_n", 12), ("voltage_v", 2.5)):
        slow[name] = slow[name] + rng.normal(0, spread, len(time_s))
    slow["throttle_us"] = np.where(rng.random(len(time_s)) < 0.02, 1000.0, 1500.0)
    edges_s = np.sort(rng.uniform(0, 2, 90))
    whole = first_trips(time_s, slow, edges_s)
    borders = [0.0, *sorted(cuts), 2.0]
    pieces = {}
    rules = host_rules(LIMITS)
    for start, end in pairwise(borders):
        keep = (time_s >= start) & (time_s < end)
        batch = Batch(
            time_s[keep],
            {name: values[keep] for name, values in slow.items()},
            edges_s[(edges_s >= start) & (edges_s < end)],
        )
        for rule in rules:
            if rule.name not in pieces and (trip := rule.feed(batch)):
                pieces[rule.name] = trip
    assert pieces == whole


@pytest.mark.parametrize(
    ("key", "slow"),
    [
        ("thrust_n", {"thrust_n": -150.0}),
        ("current_a", {"current_a": -150.0}),
        ("power_w", {"current_a": -10.0, "voltage_v": 40.0}),
    ],
)
def test_a_limit_watches_the_size_whichever_the_sign(key, slow):
    (rule,) = host_rules(with_limits(RIG, **{key: 100.0}))
    time_s = np.arange(3) * 0.002
    trip = rule.feed(Batch(time_s, {name: np.full(3, value) for name, value in slow.items()}))
    assert trip is not None and trip.value < -100.0
    rule.reset()
    assert rule.feed(Batch(time_s, {name: np.full(3, value / 100) for name, value in slow.items()})) is None


def test_the_tip_mach_rule_needs_the_diameter_by_name():
    with pytest.raises(RigError, match=r"propeller\.diameter_m.*tip_mach"):
        host_rules(with_limits(Rig(), tip_mach=0.6))


def test_a_load_cell_without_conversions_is_a_trip_whatever_it_read_last():
    rule = LoadCellRule()
    assert rule.feed(Batch(load_cell=((1.0, 80), (2.0, 10)))) is None
    assert rule.feed(Batch()) is None
    trip = rule.feed(Batch(load_cell=((3.0, 80), (4.0, 0))))
    assert (trip.rule, trip.at_s) == ("load_cell_readings", 4.0)


def silent_from(lost_s, restart_s=None):
    """Trip of the accelerometer's rule on two seconds of blocks, of which those in ``lost_s`` never come."""
    rule, rng = AccelerometerRule(LIMITS), np.random.default_rng(1)
    assert rule.silence_s == pytest.approx(0.5 + 2 * 8 / LIMITS.vibration.rate_hz)
    for number in range(200):
        time_s = number * 0.01 + np.arange(16) / 1600
        blocks = () if lost_s(time_s[0]) else (VibrationBlock(16 * number, time_s, rng.normal(0, 0.1, (16, 3))),)
        if restart_s == number * 0.01:
            rule.reset()
        trip = rule.feed(Batch(number * 0.01 + np.arange(0, 0.01, 0.002), vibration=blocks))
        if trip is not None:
            return trip
    return None


def test_an_accelerometer_that_falls_silent_is_a_trip_and_a_short_gap_is_none():
    assert silent_from(lambda time_s: False) is None
    assert silent_from(lambda time_s: 0.5 <= time_s < 0.99) is None
    trip = silent_from(lambda time_s: time_s >= 0.5)
    assert trip.rule == "vibration_silence_s" and trip.value > trip.limit
    assert trip.at_s == pytest.approx(0.5 + trip.limit, abs=0.013)


def test_an_accelerometer_that_never_spoke_is_a_trip_counted_from_when_the_rule_began():
    assert silent_from(lambda time_s: True).at_s == pytest.approx(0.512, abs=0.003)
    assert silent_from(lambda time_s: True, restart_s=0.4).at_s == pytest.approx(0.912, abs=0.003)
