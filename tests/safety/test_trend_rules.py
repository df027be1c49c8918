"""Trends on signals made by hand: what each fires on, what it must not fire on, and that the cutting does not matter.

The signals share no code with the simulator: a rotor that turns evenly, a sine at 1P, loads that go with the square.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import msgspec
import numpy as np
import pytest

from whirlbench.calibration.sensor_ranges import check_watched
from whirlbench.errors import RigError
from whirlbench.rig.description import Governor, Rig, SpeedController, with_limits
from whirlbench.rig.limits import TRENDS
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety.back_test import back_test
from whirlbench.safety.host_rules import Batch, VibrationBlock, host_rules, live_rules, trend_rules
from whirlbench.safety.margins import margins
from whirlbench.safety.own_band import JUDGED_FRAMES, LEARNED_FRAMES, OperatingPoint, OwnBand, Sameness
from whirlbench.safety.steady_frames import SteadyFrames
from whirlbench.safety.trend_rules import Trend
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

RIG = Rig()
RATE_HZ, VIBRATION_HZ, RPM = 100.0, 800.0, 3000.0
CHANNELS = ("rpm", "throttle_us", "servo_us", "pitch_deg", "thrust_n", "current_a", "voltage_v")


def run_of(seconds=20.0, rpm=RPM, vector=lambda t: 0.3 + 0.0j, pulses_per_rev=1, **slow):
    """A run at one speed; ``vector`` is 1P in g against time, on two axes; ``slow`` values or functions of time."""
    t = np.arange(0.0, seconds, 1 / RATE_HZ)
    flat = np.ones_like(t)
    channels = {"rpm": rpm * flat, "current_a": 30.0 * flat, "voltage_v": 40.0 * flat, "thrust_n": 50.0 * flat,
                "servo_us": 1300.0 * flat, "pitch_deg": 8.0 * flat, "throttle_us": 1500.0 * flat,
                "speed_request_rpm": np.nan * flat}  # fmt: skip
    channels |= {name: value(t) if callable(value) else value * flat for name, value in slow.items()}
    v = np.arange(0.0, seconds, 1 / VIBRATION_HZ)
    swing = np.broadcast_to(vector(v), v.shape) * np.exp(2j * np.pi * rpm / 60.0 * v)
    edges = np.arange(0.0, seconds, 60.0 / rpm / pulses_per_rev)
    return Run(
        slow=SlowSamples(t, **channels),
        tach=TachPulses(edges, pulses_per_rev),
        vibration=VibrationSamples(v, ay_g=swing.real, az_g=1.0 + swing.imag, rate_hz=VIBRATION_HZ),
    )


def cautions(run, rig=RIG):
    return {trip.rule: trip for trip in back_test(run, trend_rules(rig))}


def after(at_s, there, before):
    """A step in time."""
    return lambda t: np.where(t >= at_s, there, before)


def test_a_steady_run_cautions_of_nothing_and_every_trend_has_judged_it():
    rules = trend_rules(RIG)
    rested = run_of(throttle_us=after(2.0, 1500.0, 1000.0))
    assert back_test(rested, rules) == ()
    assert {rule.name: rule.judged_frames > 10 for rule in rules} == {trend.key: True for trend in TRENDS}


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"vector": after(14.0, 0.45, 0.3)}, "drift_1p_pct"),  # swells by a half
        ({"vector": after(14.0, 0.3j, 0.3)}, "drift_1p_pct"),  # turns by 90 degrees, no larger than before
        ({"vector": after(14.0, 0.15, 0.3)}, "drift_1p_pct"),  # a healing that nobody did is a change as well
        ({"thrust_n": after(14.0, 40.0, 50.0)}, "drift_thrust_pct"),
        ({"thrust_n": after(14.0, 60.0, 50.0)}, "drift_thrust_pct"),
        ({"current_a": after(14.0, 36.0, 30.0)}, "drift_current_pct"),
        ({"current_a": after(14.0, 24.0, 30.0)}, "drift_current_pct"),
        ({"rpm": lambda t: RPM * (1.0 + np.where(t > 14.0, 0.015, 0.0) * np.sin(2 * np.pi * 1.3 * t))}, "hunting_pct"),
    ],
)  # fmt: skip
def test_each_trend_fires_on_its_own_change_and_no_other_does(change, rule):
    rpm = change.pop("rpm", None)
    run = run_of(**change)
    if rpm is not None:
        run = replace(run, slow=replace(run.slow, rpm=rpm(run.slow.time_s)))
    found = cautions(run)
    assert set(found) == {rule}
    assert 14.0 < found[rule].at_s <= 18.5
    assert found[rule].value > found[rule].limit


@pytest.mark.parametrize(
    "change",
    [
        {"vector": after(14.0, 0.39, 0.3)},
        {"thrust_n": after(14.0, 45.0, 50.0)},
        {"current_a": after(14.0, 34.0, 30.0)},
        {"vector": after(14.0, 0.04, 0.027)},  # half as much again of next to nothing
    ],
)
def test_what_stays_within_the_limit_is_no_caution(change):
    assert cautions(run_of(**change)) == {}


def test_a_pack_that_sags_is_told_against_its_own_rest():
    load = {"throttle_us": after(2.0, 1500.0, 1000.0), "current_a": after(14.0, 33.0, 30.0)}
    sagging = run_of(**load, voltage_v=lambda t: np.where(t < 2.0, 42.0, np.where(t < 14.0, 36.0, 32.9)))
    assert set(cautions(sagging)) == {"sag_pct"}
    (rule,) = (one for one in trend_rules(RIG) if one.name == "sag_pct")
    never_at_rest = run_of(voltage_v=after(14.0, 20.0, 40.0))
    assert back_test(never_at_rest, [rule]) == () and rule.judged_frames == 0


def test_a_load_is_compared_at_its_speed_and_blade_angle():
    """Twice the throttle, a third more speed: coefficients stay, and nothing has drifted."""
    step, growth = after(14.0, 1.3, 1.0), after(14.0, 1700.0, 1500.0)
    healthy = run_of(
        30.0, throttle_us=growth, thrust_n=lambda t: 50.0 * step(t) ** 2, current_a=lambda t: 30.0 * step(t) ** 3,
    )  # fmt: skip
    healthy = replace(healthy, slow=replace(healthy.slow, rpm=RPM * step(healthy.slow.time_s)))
    (_, thrust, current, *_) = trend_rules(RIG)
    assert back_test(healthy, [thrust, current]) == ()
    lame = replace(healthy, slow=replace(healthy.slow, thrust_n=np.full(len(healthy.slow.time_s), 50.0)))
    assert [trip.rule for trip in back_test(lame, [thrust])] == ["drift_thrust_pct"]


def test_a_speed_that_creeps_by_itself_opens_no_new_point_for_the_loads():
    """A worn link lets the speed rise: what was learned at the lever's place stays what thrust is held against."""
    creep = run_of(120.0)
    rise = 1.0 + 0.1 * np.clip((creep.slow.time_s - 14.0) / 106.0, 0.0, 1.0)  # slow enough to be learned anew
    creep = replace(creep, slow=replace(creep.slow, rpm=RPM * rise), vibration=VibrationSamples())
    assert [trip.rule for trip in back_test(creep, [trend_rules(RIG)[1]])] == ["drift_thrust_pct"]


def test_hunting_is_not_judged_while_a_lever_moves_and_one_missed_pulse_is_none():
    run = run_of()
    t = run.slow.time_s
    moving = replace(run.slow, rpm=RPM * (1.0 + 0.02 * np.sin(8.0 * t)), throttle_us=1500.0 + 20.0 * np.floor(t / 2.0))
    assert "hunting_pct" not in cautions(replace(run, slow=moving))
    missed = np.where((t > 14.0) & (t < 14.02), RPM / 2, RPM)
    assert "hunting_pct" not in cautions(replace(run, slow=replace(run.slow, rpm=missed)))


def test_what_a_governor_moves_is_no_command_and_its_request_is_one():
    rig = governed_by("throttle")
    governed = run_of(speed_request_rpm=RPM, throttle_us=lambda t: 1500.0 + 15.0 * np.sin(t))
    assert judged(rig, governed, "hunting_pct") > 20
    by_pitch = run_of(speed_request_rpm=RPM, servo_us=lambda t: 1300.0 + 15.0 * np.sin(t))
    assert judged(governed_by("pitch"), by_pitch, "hunting_pct") > 20
    assert judged(rig, by_pitch, "hunting_pct") == 0
    asked = run_of(speed_request_rpm=lambda t: RPM + 10.0 * np.floor(t / 2.0))
    assert judged(rig, asked, "hunting_pct") == 0


def governed_by(mode):
    return msgspec.structs.replace(RIG, governor=Governor(mode=mode), speed_controller=SpeedController(governs=False))


def judged(rig, run, key):
    (rule,) = (one for one in trend_rules(rig) if one.name == key)
    back_test(run, [rule])
    return rule.judged_frames


def test_at_rest_and_undriven_nothing_is_judged():
    rules = trend_rules(RIG)
    back_test(run_of(throttle_us=1000.0), rules)
    back_test(run_of(rpm=200.0), rules[:4])
    assert all(rule.judged_frames == 0 for rule in rules[:4])


@pytest.mark.parametrize("lacking", ["throttle_us", "rpm", "thrust_n"])
def test_a_missing_channel_judges_nothing_and_fires_nothing(lacking):
    run = run_of(thrust_n=after(14.0, 30.0, 50.0))
    run = replace(run, slow=replace(run.slow, **{lacking: None}))
    assert judged(RIG, run, "drift_thrust_pct") == 0


def test_without_a_single_mark_only_the_size_of_1p_is_judged():
    """Nobody knows which of two marks came first: a vector that turns says nothing, one that swells does."""
    rig = marks_on_the_shaft(2)
    turned = run_of(vector=after(14.0, 0.3j, 0.3), pulses_per_rev=2)
    assert cautions(turned, rig) == {}
    assert judged(rig, turned, "drift_1p_pct") > 10
    assert "drift_1p_pct" in cautions(run_of(vector=after(14.0, 0.5, 0.3), pulses_per_rev=2), rig)


def marks_on_the_shaft(pulses):
    return msgspec.structs.replace(RIG, tach=msgspec.structs.replace(RIG.tach, pulses_per_rev=pulses))


def test_gaps_in_vibration_or_tach_are_not_judged():
    run = run_of()
    keep = ~((run.vibration.time_s % 0.5 > 0.2) & (run.vibration.time_s % 0.5 < 0.25))
    holes = VibrationSamples(
        run.vibration.time_s[keep], ay_g=run.vibration.ay_g[keep], az_g=run.vibration.az_g[keep], rate_hz=VIBRATION_HZ
    )
    assert judged(RIG, replace(run, vibration=holes), "drift_1p_pct") == 0
    silent = run.tach.time_s[np.abs(run.tach.time_s % 0.5 - 0.25) > 0.05]
    assert judged(RIG, replace(run, tach=TachPulses(silent, 1)), "drift_1p_pct") == 0
    assert judged(RIG, run, "drift_1p_pct") > 10


def test_gravity_is_no_1p_whatever_part_of_a_turn_lies_between_samples():
    time_s = np.arange(0.003, 0.4, 1 / 777.0)
    marks_s = np.arange(0.0, 0.401, 0.0237)
    found = trend_rules(RIG)[0]._projected(time_s, np.ones((len(time_s), 2)), marks_s)
    assert np.abs(found).max() < 1e-12


def test_a_stream_that_stops_does_not_hold_up_the_frames_of_the_rest():
    rule = trend_rules(RIG)[0]
    run = run_of(10.0)
    for first, last in pairwise(np.arange(0.0, 10.1, 0.1)):
        rule.feed(
            Batch(run.slow.time_s[(run.slow.time_s >= first) & (run.slow.time_s < last)], slow_of(run, first, last))
        )
    assert len(rule._waiting) <= 6


def slow_of(run, first, last):
    rows = (run.slow.time_s >= first) & (run.slow.time_s < last)
    return {name: run.slow.channel(name)[rows] for name in CHANNELS}


@pytest.mark.parametrize("batch_s", [0.037, 7.0])
def test_how_the_stream_is_cut_changes_nothing(batch_s):
    """Live batches of milliseconds, and back-tests of half a minute."""
    run = run_of(18.0, vector=after(13.0, 0.5, 0.3), thrust_n=after(14.0, 30.0, 50.0))
    whole = cautions(run)
    assert set(whole) == {"drift_1p_pct", "drift_thrust_pct"}
    rules, found = trend_rules(RIG), {}
    for number in range(int(18.0 / batch_s) + 1):
        for rule in rules:
            trip = rule.feed(part(run, number * batch_s, (number + 1) * batch_s))
            if trip is not None:
                found.setdefault(rule.name, trip)
    assert found == whole


def part(run, first, last):
    shaken = (run.vibration.time_s >= first) & (run.vibration.time_s < last)
    edges = run.tach.time_s[(run.tach.time_s >= first) & (run.tach.time_s < last)]
    rows = (run.slow.time_s >= first) & (run.slow.time_s < last)
    acceleration = np.column_stack([run.vibration.ay_g[shaken], run.vibration.az_g[shaken]])
    blocks = (VibrationBlock(0, run.vibration.time_s[shaken], acceleration),) if shaken.any() else ()
    return Batch(run.slow.time_s[rows], slow_of(run, first, last), edges, blocks)


def test_a_trend_fires_once_until_it_came_back():
    rule = Trend("hunting_pct", 10.0, RIG, ())
    fired = [rule._take(float(at), value) is not None for at, value in
             enumerate([5, 11, 11, 12, 9, 12, 12, math.nan, 12, 12, 7, 11, math.nan, 11, 11])]  # fmt: skip
    assert [place for place, one in enumerate(fired) if one] == [2, 14]
    rule.reset()
    assert math.isnan(rule.value) and not rule._fired and rule.judged_frames == 0


def test_hunting_waits_for_no_second_finding():
    """One finding is made of three seconds: a governor that hunts may double its swing twice in the next."""
    (rule,) = (one for one in trend_rules(RIG) if one.name == "hunting_pct")
    assert [rule._take(float(at), value) is not None for at, value in enumerate([0.5, 1.2, 1.3])] == [
        False,
        True,
        False,
    ]


def test_the_swing_is_told_as_its_peak():
    """A sine of 1.5 %; medians of an eighth of a second leave 96 % of one at 1.3 Hz, the bent line all but a little."""
    (rule,) = (one for one in trend_rules(RIG) if one.name == "hunting_pct")
    run = run_of()
    swinging = replace(run.slow, rpm=RPM * (1.0 + 0.015 * np.sin(2 * np.pi * 1.3 * run.slow.time_s)))
    back_test(replace(run, slow=swinging), [rule])
    assert rule.value == pytest.approx(1.44, abs=0.08)


# --- caution or trip --------------------------------------------------------------------------------------------------


def test_the_rig_makes_a_trip_of_a_trend():
    rig = with_limits(RIG, trend_trips=("drift_thrust_pct",))
    assert "drift_thrust_pct" not in [rule.name for rule in trend_rules(rig)]
    for made in (host_rules, live_rules):
        assert "drift_thrust_pct" in [rule.name for rule in made(rig)]
        assert not {trend.key for trend in TRENDS} & {rule.name for rule in made(RIG)}
    trips = back_test(run_of(thrust_n=after(14.0, 30.0, 50.0)), host_rules(rig))
    assert [trip.rule for trip in trips] == ["drift_thrust_pct"]


def test_the_number_in_the_rig_is_the_one_that_is_judged_against():
    run = run_of(thrust_n=after(14.0, 45.0, 50.0))
    assert cautions(run) == {}
    assert cautions(run, with_limits(RIG, drift_thrust_pct=5.0))["drift_thrust_pct"].limit == 5.0


def test_a_trend_that_trips_needs_its_sensor():
    rig = with_limits(parse_rig(example_rig_text()), trend_trips=("drift_thrust_pct",), thrust_n=None)
    check_watched(rig)
    less = {name: value for name, value in rig.calibration.items() if name != "thrust_n"}
    with pytest.raises(RigError, match=r"limits\.drift_thrust_pct is set, but calibration\.thrust_n is missing"):
        check_watched(msgspec.structs.replace(rig, calibration=less))
    check_watched(with_limits(msgspec.structs.replace(rig, calibration=less), trend_trips=()))


def test_an_unknown_trend_is_refused_by_name():
    text = example_rig_text().replace("[limits]\n", '[limits]\ntrend_trips = ["drift_2p_pct"]\n')
    with pytest.raises(RigError, match="trend_trips"):
        parse_rig(text)


def test_a_caution_says_what_it_found_and_what_to_look_for():
    (found,) = cautions(run_of(thrust_n=after(14.0, 40.0, 50.0))).values()
    assert found.text() == (
        "thrust drift 20 %, limit 12 %: thrust left its own model: a loose pitch link, a blade that turned, "
        "a load cell that slips"
    )


def test_margins_show_trends_only_where_they_are_judged():
    labels = [trend.watch.label for trend in TRENDS]
    assert not {margin.label for margin in margins(RIG, {"rpm": 1.0})} & set(labels)
    shown = {margin.label: margin for margin in margins(RIG, {trend.key: 6.0 for trend in TRENDS})}
    assert shown["thrust drift"].share == pytest.approx(0.5)
    (blank,) = margins(RIG, {"hunting_pct": math.nan})
    assert math.isnan(blank.share) and blank.text() == "no reading / 1 %"


# --- own band ---------------------------------------------------------------------------------------------------------

PLAIN = Sameness(same_rpm=0.01, same_command=6.0, per_rpm=2.0, per_pitch=0.5, pitch_slope=1.0)
HERE = OperatingPoint(3000.0, 8.0, (1500.0, 1300.0))


def taught(level=10.0, noise=(0.0,)):
    band = OwnBand(PLAIN)
    for number in range(LEARNED_FRAMES):
        assert math.isnan(band.departure(number, HERE, np.array([level + noise[number % len(noise)]])))
    return band


def settle(band, place, level, first=100):
    return [band.departure(first + number, place, np.array([level])) for number in range(JUDGED_FRAMES)][-1]


def test_a_level_is_learned_once_and_what_grows_slowly_is_not_taken_for_healthy():
    band = taught()
    value = 10.0
    for number in range(LEARNED_FRAMES, 400):
        value += 0.01
        found = band.departure(number, HERE, np.array([value]))
    assert found == pytest.approx((value - 0.015 - 10.0) / 10.0, abs=1e-9)


def test_scatter_that_was_learned_is_granted():
    noisy = taught(noise=(-1.0, 1.0))
    scatter = math.sqrt(LEARNED_FRAMES / (LEARNED_FRAMES - 1))
    assert settle(noisy, HERE, 15.0) == pytest.approx((5.0 - 3.0 * scatter) / 10.0)


def test_elsewhere_more_is_granted_and_a_new_point_is_held_against_its_neighbour_while_it_is_learned():
    band = taught()
    faster = replace(HERE, rpm=3300.0, command=(1600.0, 1300.0))
    assert settle(band, faster, 13.0) == pytest.approx(0.3 - 2.0 * math.log(1.1))
    steeper = replace(HERE, pitch_deg=10.0, command=(1500.0, 1340.0))
    assert settle(band, steeper, 12.5, 200) == pytest.approx(0.0)
    assert settle(band, steeper, 20.0, 300) == pytest.approx(7.5 / 12.5 - 0.5 * 0.25)


def test_frames_that_do_not_follow_each_other_are_not_averaged():
    band = taught()
    assert all(math.isnan(band.departure(100 + 2 * number, HERE, np.array([30.0]))) for number in range(10))


def test_a_value_that_is_not_finite_is_neither_judged_nor_learned():
    band = taught()
    assert all(math.isnan(band.departure(100 + number, HERE, np.array([math.nan]))) for number in range(8))
    other = replace(HERE, rpm=3300.0, command=(1600.0, 1300.0))
    band.departure(200, other, np.array([math.nan]))
    assert len(band._points) == 1
    assert math.isnan(band.departure(108, HERE, np.array([20.0])))
    assert settle(band, HERE, 20.0, 300) == pytest.approx(1.0)


def test_another_lever_is_another_point_and_the_same_lever_is_the_same():
    band = taught()
    other = replace(HERE, command=(1520.0, 1300.0))
    for number in range(LEARNED_FRAMES):
        band.departure(200 + number, other, np.array([11.0]))
    assert settle(band, other, 11.0, 300) == pytest.approx(0.0)
    assert len(band._points) == 2
    settle(band, replace(HERE, command=(1504.0, 1300.0)), 10.0, 400)
    assert len(band._points) == 2


# --- frames -----------------------------------------------------------------------------------------------------------


def frames_of(run, batch_s=30.0, rig=RIG):
    cutter = SteadyFrames(rig, ("thrust_n",))
    batches = [part(run, first, first + batch_s) for first in np.arange(0.0, 30.0, batch_s)]
    return [frame for batch in batches for frame in cutter.feed(batch)]


def test_frames_are_steady_three_seconds_after_a_lever_moved():
    run = run_of(20.0, throttle_us=after(10.2, 1510.0, 1500.0))
    unsteady = [frame.from_s for frame in frames_of(run) if not frame.steady]
    assert unsteady == [*np.arange(0.0, 3.0, 0.5), *np.arange(10.0, 13.0, 0.5)]


def test_a_slow_ramp_of_a_lever_is_a_move():
    assert not any(frame.steady for frame in frames_of(run_of(20.0, throttle_us=lambda t: 1400.0 + 4.0 * t)))


def test_a_gap_in_the_samples_begins_anew_however_they_are_cut():
    run = run_of(20.0)
    there = ~((run.slow.time_s > 8.0) & (run.slow.time_s < 10.2))
    slow = SlowSamples(run.slow.time_s[there], **{name: run.slow.channel(name)[there] for name in CHANNELS})
    holed = replace(run, slow=slow)
    for batch_s in (0.05, 30.0):
        assert [frame.from_s for frame in frames_of(holed, batch_s) if frame.steady and 8.0 < frame.from_s < 14.0] == [
            13.0, 13.5]  # fmt: skip
