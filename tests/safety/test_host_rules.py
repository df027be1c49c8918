"""Host rules: when they fire, and that the cutting of the stream does not matter."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.errors import RigError
from whirlbench.rig.description import Propeller, Rig, with_limits
from whirlbench.rig.limits import tip_mach_per_rpm
from whirlbench.safety.device_rules import VibrationRule
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
    """In one batch, and alike sample by sample, as most live batches are."""
    whole = fed([Batch(time_s, slow, edges_s)], limits)
    assert fed(cut(time_s, slow, edges_s, time_s), limits) == whole
    return whole


def fed(batches, limits=LIMITS):
    """The first trip of each rule."""
    rules, found = host_rules(limits), {}
    for batch in batches:
        for rule in rules:
            trip = rule.feed(batch)
            if trip is not None:
                found.setdefault(rule.name, trip)
    return found


def cut(time_s, slow, edges_s, starts_s):
    """Batches that begin at the first sample and at each of ``starts_s``; an edge comes with the samples after it."""
    samples = np.unique(np.concatenate(([0], np.searchsorted(time_s, starts_s), [len(time_s)])))
    edges = np.searchsorted(edges_s, time_s[samples[1:] - 1], side="right")
    edges[-1] = len(edges_s)
    for first, end, before, after in zip(samples, samples[1:], [0, *edges], edges, strict=False):
        yield Batch(
            time_s[first:end], {name: values[first:end] for name, values in slow.items()}, edges_s[before:after]
        )


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


def test_one_sample_within_the_limit_begins_the_confirmation_anew():
    time_s, slow, edges_s = healthy()
    slow["thrust_n"] = np.where((time_s >= 1.0) & (np.arange(len(time_s)) % 4 > 0), 90.0, 50.0)
    assert first_trips(time_s, slow, edges_s) == {}


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


def test_lost_tach_is_counted_from_the_last_edge_where_a_turning_rotor_is_driven_anew():
    time_s, slow, edges_s = healthy()
    slow["throttle_us"] = np.where(time_s < 0.5, 1000.0, 1500.0)
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


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.lists(st.floats(0.01, 1.9), max_size=8))
def test_cutting_the_stream_changes_nothing(seed, cuts):
    rng = np.random.default_rng(seed)
    time_s, slow, edges_s = healthy()
    for name, spread in (("current_a", 8), ("thrust_n", 12), ("voltage_v", 2.5)):
        slow[name] = slow[name] + rng.normal(0, spread, len(time_s))
    slow["throttle_us"] = np.where(rng.random(len(time_s)) < 0.02, 1000.0, 1500.0)
    edges_s = np.sort(rng.uniform(0, 2, 90))
    pieces = cut(time_s, slow, edges_s, sorted(cuts))
    assert fed(pieces) == fed([Batch(time_s, slow, edges_s)])


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


@pytest.mark.parametrize("lost_of_four", [0, 1, 2])
def test_windows_that_all_have_a_gap_are_silence(lost_of_four):
    """Windows of 32 samples, blocks of 16: of four blocks none is lost, the first, or two."""
    rule, rng = AccelerometerRule(with_limits(LIMITS, vibration_window_samples=32)), np.random.default_rng(1)
    lost = ((), (0,), (0, 2))[lost_of_four]
    trips = []
    for number in range(200):
        time_s = number * 0.01 + np.arange(16) / 1600
        block = VibrationBlock(16 * number, time_s, rng.normal(0, 0.1, (16, 3)))
        trips.append(rule.feed(Batch(time_s[-1:], vibration=() if number % 4 in lost else (block,))))
    assert {trip.rule for trip in trips if trip} == ({"vibration_silence_s"} if lost_of_four == 2 else set())


@pytest.mark.parametrize("seed", range(20))
def test_a_window_counts_as_judged_where_the_rule_that_judges_it_says_so(seed):
    rng = np.random.default_rng(seed)
    window = int(rng.integers(8, 64))
    rule = AccelerometerRule(with_limits(LIMITS, vibration_window_samples=window))
    judging, first = VibrationRule(0, window), 5
    for _ in range(40):
        first += int(rng.integers(0, 3)) * int(rng.random() < 0.2) * 7
        count = int(rng.integers(1, 50))
        block = VibrationBlock(first, np.arange(count) / 1600, rng.normal(0, 0.1, (count, 3)))
        first += count
        before, rule._judged_s = judging.windows_judged, np.nan
        judging.feed(block.first_index, block.counts(LIMITS.vibration.g_per_count))
        rule.feed(Batch(vibration=(block,)))
        assert np.isnan(rule._judged_s) == (judging.windows_judged == before)


def test_an_accelerometer_that_falls_silent_is_a_trip_and_a_short_gap_is_none():
    assert silent_from(lambda time_s: False) is None
    assert silent_from(lambda time_s: 0.5 <= time_s < 0.99) is None
    trip = silent_from(lambda time_s: time_s >= 0.5)
    assert trip.rule == "vibration_silence_s" and trip.value > trip.limit
    assert trip.at_s == pytest.approx(0.5 + trip.limit, abs=0.013)


def test_an_accelerometer_that_never_spoke_is_a_trip_counted_from_when_the_rule_began():
    assert silent_from(lambda time_s: True).at_s == pytest.approx(0.512, abs=0.003)
    assert silent_from(lambda time_s: True, restart_s=0.4).at_s == pytest.approx(0.912, abs=0.003)
