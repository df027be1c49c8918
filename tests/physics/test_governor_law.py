"""The governor law does what a PI with a clamped output has to do."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.physics.governor_law import Law, Settings, push_q32, slew_q32, speed_rpm

DT_S = 0.002
Q16 = 65_536


def settings(kp: float = 0.02, ki: float = 0.1, slew: int = 0, low: int = 1100, high: int = 1900) -> Settings:
    """Settings of a throttle governor; ``kp`` in us per rpm, ``ki`` in us per rpm per second."""
    return Settings(round(kp * Q16), push_q32(round(ki * Q16)), low, high, slew_q32(slew), slew_q32(slew), True)


def period_of(speed: float) -> int:
    """Tach period in ticks at ``speed`` in rpm, one pulse a revolution."""
    return round(120e6 / speed)


def engaged(pulse_us: int) -> Law:
    law = Law()
    law.engage(pulse_us)
    return law


@pytest.mark.parametrize(("rpm", "pulses"), [(8000, 1), (8000, 4), (600, 1), (40_000, 1), (1, 1)])
def test_speed_from_period(rpm: int, pulses: int) -> None:
    assert speed_rpm(round(120e6 / (rpm * pulses)), pulses) == pytest.approx(rpm, abs=rpm * 2e-4 + 0.5)


def test_at_rest_and_absurd_periods_give_no_speed_or_full_speed() -> None:
    assert speed_rpm(0, 1) == 0
    assert speed_rpm(2**32 - 1, 1) == 0
    assert speed_rpm(1, 1) == 65_535


def test_the_first_step_goes_on_from_the_pulse_found() -> None:
    law = engaged(1430)
    assert law.step(settings(), 8000, period_of(6000), 1) == pytest.approx(1430, abs=1)


def test_no_error_means_no_movement() -> None:
    law = engaged(1430)
    assert {law.step(settings(), 8000, period_of(8000), 1) for _ in range(1000)} == {1430}


def test_a_constant_error_moves_the_pulse_by_ki_times_time() -> None:
    law, chosen = engaged(1400), settings(kp=0.05, ki=0.1)
    pulses = [law.step(chosen, 8100, period_of(8000), 1) for _ in range(500)]
    assert pulses[-1] - pulses[0] == pytest.approx(0.1 * 100 * 499 * DT_S, abs=1)


def test_an_error_that_changes_moves_the_pulse_by_kp_times_the_change() -> None:
    law, chosen = engaged(1400), settings(kp=0.1, ki=0.0)
    before = law.step(chosen, 8000, period_of(8000), 1)
    assert law.step(chosen, 8000, period_of(7500), 1) - before == pytest.approx(0.1 * 500, abs=1)


def test_it_leaves_the_stop_as_soon_as_the_error_turns() -> None:
    """A wound-up integrator would hold full throttle for as long as the error had lasted."""
    law, chosen = engaged(1800), settings(kp=0.05, ki=0.5)
    for _ in range(5000):
        assert law.step(chosen, 9000, period_of(8000), 1) <= 1900
    assert law.step(chosen, 9000, period_of(9200), 1) < 1900
    pulses = [law.step(chosen, 9000, period_of(9200), 1) for _ in range(250)]
    assert pulses[-1] < 1850


def test_slew_holds_both_ways_and_does_not_wind_up() -> None:
    law, chosen = engaged(1500), settings(kp=1.0, ki=2.0, slew=500)
    law.step(chosen, 8000, period_of(8000), 1)
    pulses = [law.step(chosen, 9000, period_of(8000), 1) for _ in range(250)]
    assert np.diff(pulses).max() <= 1
    assert pulses[-1] == pytest.approx(1750, abs=2)  # 250 steps of 1 us
    falling = [law.step(chosen, 8000, period_of(9000), 1) for _ in range(100)]
    assert pulses[-1] - falling[-1] == pytest.approx(100, abs=3)  # turns at once


def test_without_a_tach_the_throttle_falls_to_its_minimum_and_pitch_is_held() -> None:
    law, chosen = engaged(1600), settings(slew=1000)
    law.step(chosen, 8000, period_of(8000), 1)
    pulses = [law.step(chosen, 8000, 0, 1) for _ in range(400)]
    assert pulses == sorted(pulses, reverse=True)
    assert pulses[-1] == 1100
    pitch = chosen._replace(falls_without_speed=False)
    law = engaged(1600)
    assert {law.step(pitch, 8000, 0, 1) for _ in range(100)} == {1600}


def test_it_joins_on_without_a_jump_when_the_tach_comes_back() -> None:
    law, chosen = engaged(1300), settings(kp=0.1, ki=0.1)
    law.step(chosen, 8000, 0, 1)
    before = law.step(chosen, 8000, 0, 1)
    assert law.step(chosen, 8000, period_of(3000), 1) == pytest.approx(before, abs=2)


def test_a_changed_gain_does_not_make_the_output_jump() -> None:
    law = engaged(1500)
    for _ in range(100):
        before = law.step(settings(kp=0.02), 8000, period_of(7800), 1)
    law.rejoin()
    assert law.step(settings(kp=0.2), 8000, period_of(7800), 1) == pytest.approx(before, abs=1)


def test_a_negative_gain_lowers_the_pulse_when_the_rotor_is_slow() -> None:
    """Pitch governor: less pitch lets the rotor speed up."""
    chosen = Settings(round(-0.05 * Q16), push_q32(round(-0.2 * Q16)), 1000, 2000, slew_q32(0), slew_q32(0), False)
    law = engaged(1600)
    law.step(chosen, 8000, period_of(8000), 1)
    assert law.step(chosen, 8000, period_of(7600), 1) == pytest.approx(1580, abs=1)


@pytest.mark.parametrize("request_rpm", [4000, 7000, 9000])
def test_it_brings_a_first_order_rotor_to_its_request(request_rpm: int) -> None:
    """Rotor: 12 rpm per us from 1000 us, time constant 0.25 s, asked only for speed and settling."""
    law, chosen, speed = engaged(1150), settings(kp=0.03, ki=0.25, slew=800), 1800.0
    speeds = []
    for _ in range(5000):
        pulse_us = law.step(chosen, request_rpm, period_of(speed), 1)
        speed += DT_S / 0.25 * (12.0 * (pulse_us - 1000) - speed)
        speeds.append(speed)
    assert np.abs(np.array(speeds[-1000:]) - request_rpm).max() < 15  # one us of pulse is 12 rpm
    assert max(speeds) < 1.15 * request_rpm
