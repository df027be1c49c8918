"""Healthy running without a trip, glitches without a missed overspeed, both twins alike through faults: short forms."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import twin_stand

from whirlbench.link.messages import Reason


def test_healthy_running_trips_nothing() -> None:
    stand = twin_stand.hour(120, seed=2)
    assert not stand.trips and stand.now_us > 120_000_000 and stand.edges > 10_000


def test_glitches_trip_nothing_and_hide_no_overspeed() -> None:
    for seed, places in enumerate(twin_stand.GLITCH_PLACES):
        assert twin_stand.glitches(60, seed, places, twin_stand.GLITCH_CHANGES) < 30.0


def test_both_twins_send_the_same_bytes_through_every_fault() -> None:
    samples, trips = twin_stand.twins(78_000, seed=1)
    assert samples >= 78_000
    assert {Reason.OVERSPEED, Reason.VIBRATION, Reason.HEARTBEAT_LOST, Reason.LOST_TACH} <= set(trips)
