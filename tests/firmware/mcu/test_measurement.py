"""What the compiled sketch measures, against what was laid on the chip's pins: exact, or within a stated resolution."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from mcu import BOARDS
from mcu_rotor import RawSensors, ScriptedRotor
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.messages import Counters, Slow, Tach, Vibration

TICK_S = 0.5e-6


@pytest.fixture(params=list(BOARDS))
def stand(request: pytest.FixtureRequest) -> Iterator[McuStand]:
    with McuStand(request.param, plant=ScriptedRotor(), sensors=RawSensors()) as stand:
        yield stand


@pytest.fixture
def talk(stand: McuStand) -> Talk:
    talk = Talk(stand)
    talk.identify()
    return talk


def edges_heard_s(talk: Talk) -> np.ndarray:
    """All tach edges heard, on the device's clock; AssertionError when a running number is missing."""
    edges: list[float] = []
    for message in talk.all_of(Tach):
        assert message.first_index == len(edges)
        halves = [(message.half_us >> i) & 1 for i in range(len(message.edges_us))]
        edges += [us * 1e-6 + half * TICK_S for us, half in zip(message.edges_us, halves, strict=True)]
    return np.array(edges)


def test_every_tach_edge_arrives_with_its_time_over_the_whole_range(talk: Talk) -> None:
    rotor = talk.stand.plant
    assert isinstance(rotor, ScriptedRotor)
    for rpm in (40_000, 20_000, 6_000, 1_000, 200):
        rotor.rpm = rpm
        talk.run(0.2 if rpm > 1000 else 0.65)
        ticks = talk.latest(Slow).period_ticks
        assert ticks == pytest.approx(120e6 / rpm, abs=1.0), f"{rpm} rpm"
    rotor.rpm = 0
    talk.run(0.05)
    heard_s, true_s = edges_heard_s(talk), np.array(rotor.edges_s)
    assert len(heard_s) == len(true_s) > 200
    error_s = (heard_s - heard_s[0]) - (true_s - true_s[0])
    # each edge is rounded down to a tick, and so is the first: one tick of spread
    assert np.ptp(error_s) <= 1.1 * TICK_S
    assert talk.stand.counters["tach_edges"] == len(true_s)


def test_a_stopped_rotor_shows_no_period(talk: Talk) -> None:
    rotor = talk.stand.plant
    assert isinstance(rotor, ScriptedRotor)
    rotor.rpm = 3000
    talk.run(0.1)
    assert talk.latest(Slow).period_ticks == pytest.approx(40_000, abs=1)
    rotor.rpm = 0
    talk.send_limits()
    talk.run(talk.stand.rig.tach.rest_ms / 1000 + 0.1)
    assert talk.latest(Slow).period_ticks == 0


def test_analogue_counts_are_exact(talk: Talk) -> None:
    rotor = talk.stand.plant
    assert isinstance(rotor, ScriptedRotor)
    for step in range(8):
        shown = {"current_a": 146 * step, "voltage_v": 1023 - 140 * step, "pitch_deg": 180 + 93 * step}
        rotor.show(**shown)
        talk.run(0.012)
        slow = talk.latest(Slow)
        assert (slow.current_counts, slow.voltage_counts, slow.servo_counts) == tuple(shown.values())


def test_every_load_cell_code_arrives_exactly_and_soon(talk: Talk) -> None:
    rotor = talk.stand.plant
    assert isinstance(rotor, ScriptedRotor)
    codes = np.random.default_rng(5).integers(-0x800000, 0x800000, 40)
    talk.run(0.05)
    talk.stand.mcu.conversions()
    for code in [*codes, 0x7FFFFF, -0x800000, -1, 0]:
        rotor.show(thrust_n=int(code))
        talk.run(0.0125)
    heard = [(message.time_us * 1e-6, message.load_counts) for message in talk.all_of(Slow)]
    conversions = talk.stand.mcu.conversions()[:-1]
    assert len(conversions) >= 40
    for made_s, code in conversions:
        arrived_s = next(time_s for time_s, counts in heard if counts == code and time_s > made_s - 0.001)
        assert arrived_s - made_s < 0.006
    counters = talk.stand.counters
    assert counters["conversions_spoilt"] + counters["load_power_downs"] + counters["load_wrong_gain"] == 0


def numbered(times_s: np.ndarray) -> np.ndarray:
    """Samples that tell their own number, with both signs, up to the ends of the 13-bit range."""
    numbered.next = first = getattr(numbered, "next", 0)  # type: ignore[attr-defined]
    numbers = np.arange(first, first + len(times_s))
    numbered.next += len(times_s)  # type: ignore[attr-defined]
    return np.stack([numbers % 4096, -(numbers % 4097), (numbers * 37) % 8192 - 4096], axis=1)


@pytest.mark.parametrize("clock_factor", [1.0, 0.985, 1.012])
def test_accelerometer_samples_are_exact_complete_and_timed(stand: McuStand, clock_factor: float) -> None:
    """The part's own oscillator may be off by a few per cent: the sketch must find its true period."""
    stand.mcu.sample_clock(clock_factor)
    rotor = stand.plant
    assert isinstance(rotor, ScriptedRotor)
    rotor.shake, rotor.rpm = numbered, 6000
    talk = Talk(stand)
    talk.run(2.5)
    blocks = talk.all_of(Vibration)
    given, times_s = np.concatenate(rotor.shaken)[2:], np.concatenate(rotor.sample_times_s)[2:]
    check_samples(blocks, given)
    power_on_s = rotor.edges_s[0] - edges_heard_s(talk)[0]  # the device's clock begins a little after power-on
    check_times(blocks[len(blocks) // 2 :], times_s - power_on_s, 1 / (1600 * clock_factor))
    counters = stand.counters
    assert counters["samples_missing"] + counters["spi_faults"] + counters["rushed_reads"] == 0
    assert counters["samples_lost"] == 0 and talk.latest(Counters).accelerometer_overruns == 0


def check_samples(blocks: list[Vibration], given: np.ndarray) -> None:
    heard = np.concatenate([np.frombuffer(block.counts, "<i2").reshape(-1, block.axes) for block in blocks])
    assert [block.first_index for block in blocks] == list(range(0, len(heard), 16))
    assert np.array_equal(heard, given[: len(heard)])
    assert len(heard) > len(given) - 64


def check_times(blocks: list[Vibration], times_s: np.ndarray, period_s: float) -> None:
    """Within a tenth of a period, once the sketch had time to learn the part's clock."""
    told_s = np.array([block.time_us for block in blocks]) * 1e-6
    true_s = times_s[[block.first_index for block in blocks]]
    error_s = told_s - true_s
    assert np.ptp(error_s) < 0.1 * period_s, f"{np.ptp(error_s) * 1e6:.1f} us of {period_s * 1e6:.1f}"
    assert np.abs(error_s).max() < 0.1 * period_s
    assert blocks[-1].period_ns == pytest.approx(period_s * 1e9, rel=1e-3)
