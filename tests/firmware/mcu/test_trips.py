"""The compiled sketch cuts the power: for the right reason, at the right moment, and fast; pulses measured on the pins.

Anchors for the times are the arithmetic of the pulse frame: 0.5 ms shortest gap and 1.0 ms safe pulse. The full
distributions are in ``tests/benchmarks/mcu_latency.py``.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from mcu import BOARDS, ESC, SERVO
from mcu_rotor import still
from mcu_talk import Talk
from mcu_trials import LOOP_US, QUICK, SAFE_OUT_US, SAFE_US, Cut, Trials, is_safe, trials

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import DeviceEvent, Disarm, EventKind, Hello, Reason, Reset, Restart, Slow, State

PHASES_S = np.random.default_rng(11).uniform(0.0, 0.0025, 8)


@pytest.fixture(params=list(BOARDS))
def stand(request: pytest.FixtureRequest) -> Iterator[Trials]:
    with trials(request.param) as stand:
        yield stand


def losses(stand: Trials) -> dict[str, int]:
    """What was lost or filtered on the stand's side, by its counter's name."""
    names = ("stray_pulses", "receive_lost", "receive_full", "transmit_overwritten", "samples_lost", "samples_missing")
    counters = stand.stand.counters
    return {name: counters[name] for name in names if counters[name]}


def test_overspeed_cuts_within_microseconds_at_any_phase(stand: Trials) -> None:
    cuts: list[Cut] = []
    for offset_s in PHASES_S:
        cuts.append(stand.overspeed(offset_s, 1800))
        assert stand.talk.trips[0][1] < stand.limits[LimitId.OVERSPEED_TICKS]
        stand.recover()
    # past its safe width the pulse ends at once; earlier it ends as a safe one
    assert max(cut.low_us for cut in cuts) < 40.0
    assert max(cut.safe_us for cut in cuts) < SAFE_OUT_US
    assert any(cut.low_us > 0 for cut in cuts) and any(cut.low_us == 0 for cut in cuts)
    assert losses(stand) == {}


def test_overspeed_is_exact_to_one_tick(stand: Trials) -> None:
    limit = stand.limits[LimitId.OVERSPEED_TICKS]
    stand.rotor.rpm = 0
    start_s = round(stand.stand.now_s + 0.01, 3)
    at_limit = start_s + np.arange(20) * limit / 2e6
    stand.rotor.edge_at(*at_limit)
    stand.talk.run(at_limit[-1] - stand.stand.now_s + 0.002)
    assert stand.talk.state is State.TURNING and not stand.talk.trips
    stand.rotor.edge_at(at_limit[-1] + (limit - 1) / 2e6)
    stand.talk.run(0.03)
    assert stand.talk.trips == [(Reason.OVERSPEED, limit - 1)]


@pytest.mark.parametrize("confirm", [2, 3])
def test_each_confirmation_takes_one_more_period(confirm: int) -> None:
    with trials("atmega2560", {LimitId.OVERSPEED_CONFIRM: confirm}) as stand:
        cut = stand.overspeed(0.001, 1500, confirm)
        assert cut.safe_us < SAFE_OUT_US


def test_one_short_period_alone_is_forgiven_when_two_are_asked_for() -> None:
    with trials("atmega2560", {LimitId.OVERSPEED_CONFIRM: 2}) as stand:
        start_s = stand.stand.now_s + 0.01
        stand.rotor.edge_at(start_s, start_s + 0.005, start_s + 0.025, start_s + 0.030, start_s + 0.055)
        stand.talk.run(0.08)
        assert not stand.talk.trips


def test_vibration_cuts_at_the_end_of_the_window_that_tells(stand: Trials) -> None:
    limit = stand.limits[LimitId.VIBRATION_COUNTS]
    for offset_s in PHASES_S[:3]:
        cut = stand.vibration(offset_s, 1800, 2 * limit)
        assert cut.safe_us < SAFE_OUT_US + 2 * LOOP_US
        assert stand.talk.trips[0][1] >= limit  # the RMS that broke the limit, in counts
        stand.recover()
    assert losses(stand) == {}


def test_vibration_just_below_the_limit_does_not_trip(stand: Trials) -> None:
    limit = stand.limits[LimitId.VIBRATION_COUNTS]
    stand.turn(4000.0, 1500)
    # three axes at 100 Hz: four whole periods in a window of 64 at 1600/s, so the RMS is the amplitude times sqrt(3/2)
    amplitude = limit / np.sqrt(1.5)
    stand.rotor.shake = lambda times_s: np.repeat(amplitude * 0.98 * np.sin(200 * np.pi * times_s), 3).reshape(-1, 3)
    stand.talk.run(0.3)
    assert stand.talk.state is State.TURNING
    stand.rotor.shake = lambda times_s: np.repeat(amplitude * 1.02 * np.sin(200 * np.pi * times_s), 3).reshape(-1, 3)
    stand.talk.run(0.15)
    assert [reason for reason, _ in stand.talk.trips] == [Reason.VIBRATION]


@pytest.mark.parametrize("board", list(BOARDS))
def test_a_constant_tilt_is_no_vibration(board: str) -> None:
    with trials(board, shake=lambda times_s: np.array([4000.0, -4000.0, 4000.0]) + still(times_s)) as stand:
        stand.turn(4000.0, 1500)
        stand.talk.run(0.3)
        assert stand.talk.state is State.TURNING


def test_a_silent_heartbeat_cuts_soon_after_its_limit(stand: Trials) -> None:
    for offset_s in PHASES_S[:3]:
        cut = stand.heartbeat(offset_s, 1800)
        assert cut.safe_us < SAFE_OUT_US + LOOP_US + 1000.0
        assert stand.talk.trips == [(Reason.HEARTBEAT_LOST, stand.limits[LimitId.HEARTBEAT_MS])]
        stand.recover()


def test_abort_cuts_soon_after_its_last_byte(stand: Trials) -> None:
    for offset_s in PHASES_S[:4]:
        cut = stand.abort(offset_s, 1800)
        assert cut.safe_us < SAFE_OUT_US + LOOP_US
        stand.recover()


def test_the_servo_goes_to_its_safe_place(stand: Trials) -> None:
    stand.overspeed(0.0, 1800)
    assert stand.stand.mcu.width_us(SERVO) == pytest.approx(stand.stand.rig.pitch.safe_us, abs=0.25)


def test_the_first_reason_is_kept_and_the_trip_is_told_once(stand: Trials) -> None:
    stand.overspeed(0.0, 1800)
    stand.talk.beating = False
    stand.talk.run(0.3)
    assert [reason for reason, _ in stand.talk.trips] == [Reason.OVERSPEED]
    assert stand.talk.latest(Slow).reason == Reason.OVERSPEED


def restarted(stand: Trials) -> Talk:
    """Another host, which hears the device's new life from its beginning."""
    stand.stand.read()
    talk = Talk(stand.stand)
    talk.beating = False
    talk.run(0.1)
    return talk


@pytest.mark.parametrize("cause", [Restart.WATCHDOG, Restart.BROWN_OUT, Restart.EXTERNAL])
def test_a_restart_while_turning_is_a_trip(stand: Trials, cause: Restart) -> None:
    """EXTERNAL is what opening the port does on boards whose reset hangs on the port's control line."""
    stand.turn(4000.0, 1800)
    at_s = stand.stand.now_s
    stand.stand.mcu.reset(cause)
    talk = restarted(stand)
    hello = talk.all_of(Hello)[0]
    assert (hello.restart_cause, hello.state, hello.reason) == (cause, State.TRIPPED, Reason.RESTART)
    events = [event for event in talk.all_of(DeviceEvent) if event.kind == EventKind.RESTARTED]
    assert [(event.reason, event.detail) for event in events] == [(Reason.RESTART, cause)]
    later = [pulse for pulse in stand.stand.mcu.pulses if pulse.output == ESC and pulse.rise_s > at_s]
    assert later and all(map(is_safe, later))


def test_a_restart_in_the_middle_of_a_frame_does_not_swallow_its_own_news() -> None:
    with trials("atmega328p") as stand:
        talk = stand.talk
        for attempt in range(3):
            stand.turn(4000.0, 1500)
            while not talk.mid_frame:
                talk.run(0.00005)
            talk.heard.clear()
            stand.stand.mcu.reset(Restart.WATCHDOG)
            talk.run(0.1)
            news = [event for event in talk.all_of(DeviceEvent) if event.kind == EventKind.RESTARTED]
            assert len(news) == 1, f"attempt {attempt}"
            stand.rotor.rpm = 0.0
            talk.run(1.1)
            talk.command(Reset())
            talk.arm(QUICK)


def test_a_restart_while_locked_is_none() -> None:
    with trials("atmega2560") as other:
        other.talk.command(Disarm())
        other.talk.run(0.05)
        other.stand.mcu.reset(Restart.EXTERNAL)
        assert restarted(other).all_of(Hello)[0].state == State.LOCKED


@pytest.mark.parametrize("interrupts", [True, False])
def test_a_program_that_lost_its_way_is_restarted_into_safety(stand: Trials, interrupts: bool) -> None:
    stand.turn(4000.0, 1800)
    hung_s = stand.stand.now_s
    stand.stand.mcu.hang(interrupts)
    talk = restarted(stand)
    talk.run(0.2)
    hello = talk.all_of(Hello)[0]
    assert (hello.restart_cause, hello.state, hello.reason) == (Restart.WATCHDOG, State.TRIPPED, Reason.RESTART)
    esc = [pulse for pulse in stand.stand.mcu.pulses if pulse.output == ESC]
    last_unsafe_s = max((pulse.fall_s for pulse in esc if not is_safe(pulse)), default=hung_s)
    assert last_unsafe_s - hung_s < 0.130  # the watchdog's 120 ms, nominal
    assert is_safe(esc[-1]) and esc[-1].width_us == pytest.approx(SAFE_US, abs=1)
