"""The host's ring stays awake: a trip that was overtaken by a disarm mutes nothing later.

What a trend finds becomes a caution on every way out of the session, and stops nothing unless the rig says so.
"""

import math
import re
from unittest.mock import Mock

import msgspec
import numpy as np
import pytest

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Counters
from whirlbench.rig.description import with_limits
from whirlbench.rig.limits import TRENDS
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.host_rules import Batch, Trip, trend_rules
from whirlbench.session.engine import Command, CommandKind, Engine, Phase
from whirlbench.session.engine.host_ring import STEADY_TURNS, HostRing
from whirlbench.session.process import SharedView

FIRED = Trip("thrust_n", 1.0, 999.0, 1.0)
RATE_HZ = 100.0
DRIFT = Trip("drift_thrust_pct", 1.0, 25.0, 12.0)
WORDS = DRIFT.text()


@pytest.fixture
def running(make_bench):
    """An open session, armed, no other operator."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_rule_fires_again_in_the_next_run(running):
    judge, fired = running.engine.ring.judge, []

    def once(batch, live):
        if live and not fired:
            fired.append(FIRED)
            return FIRED
        return judge(batch, live)

    running.step([Command(CommandKind.DISARM)])
    running.engine.ring.judge = once  # in the step before the device shows itself locked
    running.run(running.now_s + 0.6)
    assert fired and running.device.machine.state.name in ("LOCKED", "TRIPPED")
    running.engine.ring.judge = judge
    running.run(running.now_s + 10, lambda bench: bench.engine.phase is Phase.TRIPPED)
    running.step([Command(CommandKind.RESET)])
    running.run(running.now_s + 5, lambda bench: bench.engine.phase is Phase.READY)
    running.step([Command(CommandKind.ARM)])
    running.run(running.now_s + 3, lambda bench: bench.engine.phase is Phase.RUNNING)
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.run(running.now_s + 0.2)
    assert running.device.machine.state.name == "TRIPPED"
    assert running.device.machine.reason.name == "HOST_RULE"


def test_a_rule_that_goes_on_firing_aborts_again_when_no_cut_is_under_way(running):
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.engine._host_trip = FIRED  # as after a cut that came to nothing
    running.run(running.now_s + 0.2)
    assert running.device.machine.reason.name == "HOST_RULE"
    assert len(running.events("limit")) < 5


def without_conversions(bench):
    """From now on the device's counts tell of no conversion of the load cell."""
    wire = Unframer()

    def silent(now_s, data):
        messages = [
            msgspec.structs.replace(message, load_cell_readings=0) if isinstance(message, Counters) else message
            for message in wire.feed(data)
        ]
        return b"".join(frame(message, number) for number, message in enumerate(messages))

    bench.to_host = silent


def test_a_silent_load_cell_is_a_trip_where_thrust_is_limited(running):
    without_conversions(running)
    running.run(running.now_s + 1.3)
    assert running.device.machine.reason.name == "HOST_RULE"
    assert "load_cell_readings 0" in running.events("limit")[-1].detail


def test_a_silent_load_cell_is_no_matter_without_a_limit_on_thrust(make_bench, rig_text):
    bench = make_bench("", rig_text=re.sub(r"\nthrust_n = .*", "", rig_text, count=1), keep_open=True)
    assert bench.engine.rig.limits.thrust_n is None
    bench.operator = lambda progress: ()
    without_conversions(bench)
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 2.5)
    assert bench.engine.phase is Phase.RUNNING


# --- cautions of trends ----------------------------------------------------------------------------------------------


class Finder:
    """A trend that fires once when it is fed."""

    name = "drift_thrust_pct"

    def __init__(self):
        self.resets = self.fed = 0

    def feed(self, batch):
        self.fed += 1
        return DRIFT if self.fed == 1 else None

    def reset(self):
        self.resets += 1


@pytest.fixture
def cautioning(make_bench):
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.engine.ring._trends = (Finder(), *bench.engine.ring._trends)
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    assert bench.engine.ring._trends[0].fed == 0
    bench.step([Command(CommandKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_caution_is_recorded_and_shown_once_in_one_wording_and_nothing_is_cut(cautioning):
    cautioning.run(cautioning.now_s + 0.2)
    (event,) = cautioning.events("caution")
    assert (event.time_s, event.name, event.detail) == (1.0, "drift_thrust_pct", WORDS)
    assert cautioning.engine.progress().message == WORDS
    assert cautioning.device.machine.state.name in ("ARMED", "TURNING")
    assert cautioning.engine.phase is Phase.RUNNING
    assert cautioning.engine.ring._trends[0].resets == 1


def test_findings_reach_the_surface(cautioning):
    """NaN while nothing is judged; never nought."""
    values = cautioning.engine.progress().values
    assert all(math.isnan(values[key]) for key in ("drift_1p_pct", "hunting_pct", "sag_pct"))
    cautioning.engine.ring._trends[-1].value = 7.5
    view = SharedView()
    try:
        view.show_progress(cautioning.engine.progress())
        shown = view.progress().values
        assert shown["sag_pct"] == 7.5 and math.isnan(shown["hunting_pct"])
        assert {trend.key for trend in TRENDS} <= set(shown)
    finally:
        view.close()
        view.unlink()


def stream(ring, thrust_n, seconds, first_s=0.0, live=True):
    """Feeds even running without an accelerometer; the first trip or None, and every caution."""
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
    ring = HostRing(with_limits(make_bench("").engine.rig, vibration_g_rms=None))
    assert stream(ring, 50.0, 14.0) == (None, [])
    trip, (caution,) = stream(ring, 40.0, 3.0, 14.0)
    assert trip is None and caution.rule == "drift_thrust_pct"
    assert ring.trends()["drift_thrust_pct"] > 12.0
    ring.cautions = (DRIFT,)  # of the step before
    stream(ring, 40.0, 0.1, 17.0, live=False)
    assert ring.trends() == {} and ring.cautions == ()
    assert stream(ring, 40.0, 14.0, 17.2) == (None, [])


def test_a_caution_of_the_last_live_batch_is_told_though_the_stand_is_locked_by_then(make_bench):
    ring = HostRing(make_bench("").engine.rig)
    ring._trends = (Mock(feed=lambda batch: DRIFT),)
    assert ring.judge(Batch(), live=True) is None and ring.cautions == ()
    assert ring.judge(Batch(), live=False) is None and ring.cautions == (DRIFT,)
    assert ring.judge(Batch(), live=False) is None and ring.cautions == ()


def test_the_same_finding_is_a_trip_where_the_rig_says_so(make_bench):
    rig = with_limits(make_bench("").engine.rig, trend_trips=("drift_thrust_pct",), vibration_g_rms=None)
    ring = HostRing(rig)
    assert len(ring._trends) == len(trend_rules(rig)) == len(TRENDS) - 1
    assert stream(ring, 50.0, 14.0) == (None, [])
    trip, cautions = stream(ring, 40.0, 3.0, 14.0)
    assert trip is not None and trip.rule == "drift_thrust_pct" and cautions == []


def test_a_margin_of_a_plan_looks_at_trends_only_where_they_trip(make_bench):
    rig = make_bench("").engine.rig
    for trips, told in (((), False), (("sag_pct",), True)):
        ring = HostRing(with_limits(rig, trend_trips=trips))
        for rule in ring._all_rules():
            if rule.name == "sag_pct":
                rule.value = 19.0
        said = [ring.plan_stop({"rpm": 1000.0}, 0.9) for _ in range(STEADY_TURNS)]
        assert ("pack sag" in said[-1]) is told


def test_a_rig_with_a_trend_as_trip_is_read_and_arms(make_bench):
    text = make_bench.__globals__["RIG_TEXT"].replace("[limits]\n", '[limits]\ntrend_trips = ["hunting_pct"]\n')
    engine = Engine(parse_rig(text))
    assert "hunting_pct" in [rule.name for rule in engine.ring._trend_trips]
