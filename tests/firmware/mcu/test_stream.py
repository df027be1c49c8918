"""The compiled sketch's stream from a live plant, every frame accounted for, on both chips."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from mcu import BOARDS
from mcu_rotor import RawSensors, ScriptedRotor
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Counters, Pitch, Slow, State, Tach, Throttle, Vibration

STREAM_S = 14.0
PLAN = ((1300, 1300), (1500, 1250), (1700, 1300), (1750, 1350), (1550, 1450), (1250, 1200))
SIDE_LOSSES = (
    "stray_pulses", "receive_full", "receive_lost", "transmit_overwritten", "samples_lost", "samples_missing",
    "rushed_reads", "spi_faults", "conversions_spoilt", "load_power_downs", "load_wrong_gain", "resets",
)  # fmt: skip
DEVICE_LOSSES = ("telemetry_dropped", "bad_frames", "receive_overruns", "accelerometer_overruns", "tach_overruns")


@pytest.mark.parametrize("board", list(BOARDS))
def test_no_frame_is_bad_or_lost(board: str) -> None:
    with McuStand(board, seed=7, slice_s=0.01) as stand:
        host = Talk(stand, turn_s=0.01)
        host.arm()
        for throttle_us, servo_us in PLAN:
            host.command(Pitch(servo_us))
            host.command(Throttle(throttle_us))
            host.run((STREAM_S - stand.now_s) / 2)
        host.run(STREAM_S - stand.now_s)
        assert host.state is State.TURNING and not host.trips
        check_frames(host)
        check_series(host)
        side, device = stand.counters, host.latest(Counters)
        assert {name: side[name] for name in SIDE_LOSSES} == dict.fromkeys(SIDE_LOSSES, 0)
        assert {name: getattr(device, name) for name in DEVICE_LOSSES} == dict.fromkeys(DEVICE_LOSSES, 0)


def check_frames(host: Talk) -> None:
    counters = host.conversation.counters
    assert (counters.bad, counters.lost, counters.unknown, counters.noise_bytes) == (0, 0, 0, 0)
    kinds = Counter(type(message) for message in host.heard)
    assert kinds[Slow] == pytest.approx(500 * STREAM_S, abs=20)  # some fall out while the safe pulse is kept
    assert kinds[Vibration] == pytest.approx(100 * STREAM_S, rel=0.002)
    assert kinds[Counters] == pytest.approx(STREAM_S, abs=1)


def check_series(host: Talk) -> None:
    """Edges, samples and slow times follow on without a gap, and none was lost between pin and host."""
    tach, vibration = host.all_of(Tach), host.all_of(Vibration)
    edges = np.cumsum([0, *(len(batch.edges_us) for batch in tach)])
    assert [batch.first_index for batch in tach] == list(edges[:-1])
    assert host.stand.counters["tach_edges"] - edges[-1] <= 2  # still under way
    assert [block.first_index for block in vibration] == list(range(0, 16 * len(vibration), 16))
    # while locked the first safe pulse is kept, which takes 10 ms and more
    times_us = np.array([slow.time_us for slow in host.all_of(Slow) if slow.state != State.LOCKED])
    assert np.diff(times_us).max() < 4500  # a tick may come late by one turn of the sketch's loop, and none is left out
    assert np.diff(times_us).mean() == pytest.approx(2000, rel=1e-3)


@pytest.mark.parametrize("board", list(BOARDS))
def test_what_the_chip_encodes_is_what_the_package_would(board: str) -> None:
    """Byte for byte, over every kind of telemetry and values of both signs."""
    rotor = ScriptedRotor(rpm=5000)
    rotor.shake = lambda times_s: np.random.default_rng(3).integers(-4096, 4096, (len(times_s), 3)).astype(float)
    with McuStand(board, plant=rotor, sensors=RawSensors()) as stand:
        rotor.show(thrust_n=-77_777)
        stand.run(1.2)
        data = stand.read()
    body, sep, _ = data.rpartition(b"\0")
    numbered = Unframer().feed_numbered(body + sep)
    assert b"\0" + b"".join(frame(message, sequence) for sequence, message in numbered) == body + sep
    assert {type(message) for _, message in numbered} >= {Slow, Tach, Vibration, Counters}
