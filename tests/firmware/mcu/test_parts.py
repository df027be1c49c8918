"""Parts behind their interfaces: a second accelerometer and converter, averaged conversions, supply, rates, marks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import build
import numpy as np
import pytest
from mcu import BOARDS, ESC, SERVO, Mcu, Pulse
from mcu_rotor import RawSensors, ScriptedRotor
from mcu_stand import McuStand
from mcu_talk import Talk
from mcu_trials import LOOP_US, SAFE_OUT_US, Trials, cut_after, trials

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    Abort,
    Accelerometer,
    Board,
    Counters,
    LoadConverter,
    Pitch,
    Reason,
    Slow,
    Vibration,
)

UNEVEN = (0.0, 0.21, 0.55, 0.7)
# A scripted rotor draws no current, shakes not at all and moves no servo: the rules that doubt such sensors are off.
BELIEVED = {
    slot: 0
    for slot in (
        LimitId.FROZEN_SAMPLES, LimitId.STUCK_SERVO_COUNTS, LimitId.CURRENT_COUNTS, LimitId.CURRENT_LEAST_COUNTS,
        LimitId.VOLTAGE_COUNTS, LimitId.LOAD_SILENCE_MS, LimitId.CUT_CURRENT_COUNTS, LimitId.LOST_TACH_MS,
    )
}  # fmt: skip


@contextmanager
def raw_stand(board: str, choice: build.Choice = ()) -> Iterator[tuple[McuStand, ScriptedRotor]]:
    rotor = ScriptedRotor()
    with McuStand(board, plant=rotor, sensors=RawSensors(), elf=build.sketch(board, choice)) as stand:
        if choice:
            stand.mcu.accelerometer(12)
        yield stand, rotor


def swinging(times_s: np.ndarray) -> np.ndarray:
    """Counts of both signs up to the ends of 12 bits."""
    return np.rint(
        np.stack([2047 * np.sin(61 * times_s), -2047 * np.cos(47 * times_s), 900 * np.sin(7 * times_s)], axis=1)
    )


@pytest.mark.parametrize("board", BOARDS)
def test_the_second_parts_are_read_exactly_and_named(board: str) -> None:
    with raw_stand(board, build.SECOND_PARTS) as (stand, rotor):
        rotor.shake = swinging
        talk = Talk(stand)
        talk.identify()
        codes = [-0x800000, 0x7FFFFF, -1, 1, 0x123456]
        for code in codes:
            rotor.show(thrust_n=code)
            talk.run(0.026)
        talk.run(1.0)
        hello = talk.conversation.hello
        assert hello is not None
        assert (hello.accelerometer, hello.accelerometer_ug_per_count) == (Accelerometer.BITS_12, 12_000)
        assert (hello.load_converter, hello.load_counts_per_mv_v) == (LoadConverter.STRAPPED_GAIN, 1_073_742)
        assert (hello.vibration_rate_hz, hello.vibration_axes) == (1344, 3)
        heard = [message.load_counts for message in talk.all_of(Slow)]
        assert all(code in heard for code in codes)
        samples = np.concatenate(
            [np.frombuffer(block.counts, "<i2").reshape(-1, 3) for block in talk.all_of(Vibration)]
        )
        assert np.array_equal(samples, np.concatenate(rotor.shaken)[2:][: len(samples)]) and len(samples) > 1344
        assert talk.all_of(Vibration)[-1].period_ns == pytest.approx(1e9 / 1344, rel=2e-3)
        counters = stand.counters
        assert counters["spi_faults"] == counters["samples_lost"] == counters["load_wrong_gain"] == 0


def test_the_first_parts_are_named_and_a_part_of_another_maker_is_not_taken_for_them() -> None:
    with raw_stand("atmega2560") as (stand, _):
        talk = Talk(stand)
        talk.identify()
        hello = talk.conversation.hello
        assert hello is not None and hello.board == Board.ATMEGA2560
        assert (hello.accelerometer, hello.accelerometer_ug_per_count) == (Accelerometer.BITS_13, 3906)
        assert (hello.load_converter, hello.load_counts_per_mv_v) == (LoadConverter.PULSED_GAIN, 2_147_484)
    with raw_stand("atmega2560") as (stand, _):
        stand.mcu.accelerometer(12)
        talk = Talk(stand)
        talk.identify()
        hello = talk.conversation.hello
        assert hello is not None and (hello.accelerometer, hello.vibration_axes) == (Accelerometer.NONE, 0)


def test_a_slow_sample_is_the_mean_of_its_interval() -> None:
    """A ripple that single conversions would show whole: 400 and 600 counts in turn, each for half a millisecond."""
    with Mcu("atmega2560", build.sketch("atmega2560")) as mcu:
        for half_ms in range(800):
            mcu.analogue(0, 400 if half_ms % 2 else 600)
            mcu.run((half_ms + 1) * 0.5e-3)
        counts = np.array([slow.current_counts for slow in Unframer().feed(mcu.read()) if isinstance(slow, Slow)])[20:]
        assert len(counts) > 150
        assert abs(counts.mean() - 500) < 8 and counts.std() < 45  # single conversions scatter by 100


@pytest.mark.parametrize("board", BOARDS)
def test_the_supply_is_measured_against_the_chips_reference(board: str) -> None:
    with raw_stand(board) as (stand, _):
        talk = Talk(stand)
        talk.identify()
        for supply_mv in (5000, 4500, 5250, 4000):
            stand.mcu.supply(supply_mv)
            talk.run(0.02)
            # one count of 10 bits is 0.45 % here; the reference itself is exact in the simulation
            assert talk.latest(Slow).supply_mv == pytest.approx(supply_mv, rel=0.004)


def frames_ms(pulses: list[Pulse], output: int) -> np.ndarray:
    """Times from rise to rise."""
    return np.diff([pulse.rise_s for pulse in pulses if pulse.output == output]) * 1e3


@pytest.mark.parametrize("board", BOARDS)
def test_each_channel_has_its_own_rate(board: str) -> None:
    changes = {**BELIEVED, LimitId.THROTTLE_RATE_HZ: 100, LimitId.SERVO_RATE_HZ: 333}
    with raw_stand(board) as (stand, _):
        talk = Talk(stand)
        talk.arm(changes)
        stand.mcu.pulses.clear()
        talk.command(Pitch(1500))
        talk.run(0.5)
        assert frames_ms(stand.mcu.pulses, ESC)[1:] == pytest.approx(10.0, abs=0.01)
        assert frames_ms(stand.mcu.pulses, SERVO)[1:] == pytest.approx(1000 / 333, abs=0.01)
    with raw_stand(board) as (stand, _):
        talk = Talk(stand)
        talk.arm(BELIEVED)
        stand.mcu.pulses.clear()
        talk.command(Pitch(1500))
        talk.run(0.5)
        assert frames_ms(stand.mcu.pulses, ESC)[1:] == pytest.approx(2.5, abs=0.01)
        assert frames_ms(stand.mcu.pulses, SERVO)[1:] == pytest.approx(20.0, abs=0.01)


@pytest.mark.parametrize("rate_hz", [50, 400])
def test_the_first_safe_pulse_comes_as_soon_at_every_rate(rate_hz: int) -> None:
    """Gap of 0.5 ms and safe pulse of 1 ms, since the next pulse is brought forward; the abort waits for the loop."""
    with trials("atmega328p", {**BELIEVED, LimitId.THROTTLE_RATE_HZ: rate_hz}) as bench:
        for phase in range(6):
            bench.turn(4000.0, 1400)
            bench.talk.run(0.04 + 0.0031 * phase)
            bench.talk.beating = False
            bench.stand.write(frame(Abort(Reason.OPERATOR_ABORT), 0))
            bench.talk.run(0.1)
            cut = cut_after(bench.stand.mcu.pulses, bench.stand.mcu.last_sent_s, 1400)
            assert cut.safe_us < SAFE_OUT_US + LOOP_US
            bench.recover()


@pytest.mark.parametrize("board", BOARDS)
def test_uneven_marks_trip_at_the_limit_within_fifty_microseconds_and_not_below(board: str) -> None:
    with trials(board, {**BELIEVED, LimitId.PULSES_PER_REV: len(UNEVEN)}) as bench:
        bench.rotor.marks_turns = UNEVEN
        limit_rpm = 120e6 / bench.limits[LimitId.OVERSPEED_TICKS]
        speed_up(bench, 2000.0, limit_rpm * 0.99)
        bench.talk.run(0.3)
        assert not bench.talk.trips and bench.talk.latest(Slow).period_ticks == pytest.approx(
            120e6 / (0.99 * limit_rpm), abs=2
        )
        bench.rotor.rpm = limit_rpm * 1.01
        while not bench.talk.trips:
            bench.talk.run(0.002)
        assert bench.talk.trips[0][0] is Reason.OVERSPEED
        told = bench.talk.trips[0][1]
        assert 120e6 / told > limit_rpm
        edge_s = telling_edge_s(bench.rotor.edges_s, bench.limits[LimitId.OVERSPEED_TICKS] / 2e6)
        falls_s = [
            p.fall_s for p in bench.stand.mcu.pulses if p.output == ESC and p.fall_s > edge_s and p.width_us < 1450
        ]
        assert falls_s[0] - edge_s < 1.7e-3
        counters = bench.talk.all_of(Counters)
        assert all(message.tach_extra == message.tach_missed == 0 for message in counters)


def telling_edge_s(edges_s: list[float], limit_s: float) -> float:
    """The first edge that ends a turn shorter than the limit."""
    times = np.array(edges_s)
    turns = times[len(UNEVEN) :] - times[: -len(UNEVEN)]
    return float(times[len(UNEVEN) :][np.argmax(turns < limit_s - 0.5e-6)])


def speed_up(bench: Trials, from_rpm: float, to_rpm: float) -> None:
    """As a rotor does it: by a few per cent a turn."""
    bench.turn(from_rpm, 1500)
    for rpm in np.geomspace(from_rpm, to_rpm, 60):
        bench.rotor.rpm = float(rpm)
        bench.talk.run(0.012)
