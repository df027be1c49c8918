"""What a trend finds becomes a caution on every way out of the session, and stops nothing unless the rig says so."""

import math

import numpy as np
import pytest

from whirlbench.rig.description import with_limits
from whirlbench.rig.limits import TRENDS
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.host_rules import Batch, Trip, trend_rules
from whirlbench.session.engine import Command, CommandKind, Engine, Phase
from whirlbench.session.engine.host_ring import STEADY_TURNS, HostRing
from whirlbench.session.process import SharedView

RATE_HZ = 100.0
FOUND = Trip("drift_thrust_pct", 1.0, 25.0, 12.0)
WORDS = FOUND.text()


class Finder:
    """A trend that fires once when it is fed."""

    name = "drift_thrust_pct"

    def __init__(self):
        self.resets = self.fed = 0

    def feed(self, batch):
        self.fed += 1
        return FOUND if self.fed == 1 else None

    def reset(self):
        self.resets += 1


@pytest.fixture
def running(make_bench):
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.engine.ring._trends = (Finder(), *bench.engine.ring._trends)
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    assert bench.engine.ring._trends[0].fed == 0
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_caution_is_recorded_and_shown_once_in_one_wording_and_nothing_is_cut(running):
    running.run(running.now_s + 0.2)
    (event,) = running.events("caution")
    assert (event.time_s, event.name, event.detail) == (1.0, "drift_thrust_pct", WORDS)
    assert running.engine.progress().message == WORDS
    assert running.device.machine.state.name in ("ARMED", "TURNING")
    assert running.engine.phase is Phase.RUNNING
    assert running.engine.ring._trends[0].resets == 1


def test_findings_reach_the_surface(running):
    """NaN while nothing is judged; never nought."""
    values = running.engine.progress().values
    assert all(math.isnan(values[key]) for key in ("drift_1p_pct", "hunting_pct", "sag_pct"))
    running.engine.ring._trends[-1].value = 7.5
    view = SharedView()
    try:
        view.show_progress(running.engine.progress())
        shown = view.progress().values
        assert shown["sag_pct"] == 7.5 and math.isnan(shown["hunting_pct"])
        assert {trend.key for trend in TRENDS} <= set(shown)
    finally:
        view.close()
        view.unlink()


def stream(ring, thrust_n, seconds, first_s=0.0, live=True):
    """Feeds even running; the first trip or None, and every caution."""
    cautions = []
    for at_s in np.arange(first_s, first_s + seconds, 0.1):
        time_s = at_s + np.arange(10) / RATE_HZ
        flat = np.ones(10)
        slow = {"rpm": 3000 * flat, "thrust_n": thrust_n * flat, "current_a": 30 * flat, "voltage_v": 40 * flat,
                "throttle_us": 1500 * flat, "servo_us": 1300 * flat, "pitch_deg": 8 * flat}  # fmt: skip
        trip = ring.judge(Batch(time_s, slow, time_s), live)
        cautions += ring.cautions
        if trip is not None:
            return trip, cautions
    return None, cautions


def test_the_ring_cautions_live_and_forgets_when_the_stand_is_locked(make_bench):
    ring = HostRing(make_bench("").engine.rig)
    assert stream(ring, 50.0, 14.0) == (None, [])
    trip, (caution,) = stream(ring, 40.0, 3.0, 14.0)
    assert trip is None and caution.rule == "drift_thrust_pct"
    assert ring.trends()["drift_thrust_pct"] > 12.0
    stream(ring, 40.0, 0.2, 17.0, live=False)
    assert ring.trends() == {} and ring.cautions == ()
    assert stream(ring, 40.0, 14.0, 17.2) == (None, [])


def test_the_same_finding_is_a_trip_where_the_rig_says_so(make_bench):
    rig = with_limits(make_bench("").engine.rig, trend_trips=("drift_thrust_pct",))
    ring = HostRing(rig)
    assert len(ring._trends) == len(trend_rules(rig)) == len(TRENDS) - 1
    assert stream(ring, 50.0, 14.0) == (None, [])
    trip, cautions = stream(ring, 40.0, 3.0, 14.0)
    assert trip is not None and trip.rule == "drift_thrust_pct" and cautions == []


def test_a_margin_of_a_plan_looks_at_trends_only_where_they_trip(make_bench):
    rig = make_bench("").engine.rig
    for trips, told in (((), False), (("sag_pct",), True)):
        ring = HostRing(with_limits(rig, trend_trips=trips))
        for rule in (*ring._rules, *ring._trends):
            if rule.name == "sag_pct":
                rule.value = 19.0
        said = [ring.plan_stop({"rpm": 1000.0}, 0.9) for _ in range(STEADY_TURNS)]
        assert ("pack sag" in said[-1]) is told


def test_a_rig_with_a_trend_as_trip_is_read_and_arms(make_bench):
    text = make_bench.__globals__["RIG_TEXT"].replace("[limits]\n", '[limits]\ntrend_trips = ["hunting_pct"]\n')
    engine = Engine(parse_rig(text))
    assert "hunting_pct" in [rule.name for rule in engine.ring._rules]
