"""The prediction runs the device's law: held here against its exact integer twin, tick by tick."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.analysis.governor import LawSettings
from whirlbench.analysis.governor.prediction import TICK_S, Drives, Laws, Tachs, Trial, load_answers, predict
from whirlbench.analysis.speed_loop import LoopModel, unit_answer
from whirlbench.physics.governor_law import TICKS_PER_MINUTE, Law, Settings, push_q32, slew_q32

MODEL = LoopModel("second_order", 8.0, 0.0113, math.nan, 0.9, 16.0)
LAW = LawSettings(0.09, 0.9, 1100.0, 1900.0, 500.0, 2000.0)


@pytest.mark.parametrize("seed", range(4))
def test_law_is_that_of_the_device(seed):
    """Random errors, both limits and the slew reached: pulses within the rounding of one microsecond."""
    rng = np.random.default_rng(seed)
    kp, ki = float(rng.uniform(0.05, 0.5)), float(rng.uniform(0.2, 8.0))
    ours = Laws(LawSettings(kp, ki, 1100.0, 1600.0, 500.0, 2000.0), 1, 1450.0)
    exact, settings = (
        Law(),
        Settings(round(kp * 65536), push_q32(round(ki * 65536)), 1100, 1600, slew_q32(500), slew_q32(2000), True),
    )
    exact.engage(1450)
    speed, differences = 4000.0, []
    for tick in range(3000):
        request = 4000 if tick < 1500 else 4300
        speed += rng.normal(0.0, 3.0) + 0.02 * (4100.0 - speed)
        period = round(TICKS_PER_MINUTE / speed)
        seen = round(TICKS_PER_MINUTE / period)
        pulse = exact.step(settings, request, period, 1)
        differences.append(abs(float(ours.step(np.array([float(request - seen)]))[0]) - pulse))
    assert max(differences) <= 1.0
    assert np.mean(np.array(differences) > 0) < 0.02


def test_drives_answer_as_their_models_do():
    """A step of the pulse, dead times that are no whole ticks, many drives side by side."""
    models = [
        MODEL,
        LoopModel("first_order", -5.0, 0.0377, 0.2),
        LoopModel("second_order", 3.0, 0.05, math.nan, 2.0, 9.0),
    ]
    drives = Drives(models, 1500.0)
    answers = np.array([drives.advance(np.full(3, 1520.0)) for _ in range(600)]).T
    since = (np.arange(600) + 1) * TICK_S
    for model, answer in zip(models, answers, strict=True):
        expected = model.gain * 20.0 * unit_answer(model, since - model.dead_time_s)
        assert np.max(np.abs(answer - expected)) < 0.01 * abs(model.gain) * 20.0


def test_tach_shows_the_last_period():
    tachs = Tachs(1, 3000.0, 0.0, np.random.default_rng(1))
    seen = [float(tachs.advance(tick * TICK_S, np.array([3000.0 + 0.5 * tick]))[0]) for tick in range(1000)]
    assert len(set(seen)) == pytest.approx(2.0 * 3250.0 / 60.0, abs=2)  # one new value a revolution
    assert seen[-1] == pytest.approx(3500.0 - 0.5 * 10, abs=8.0)  # on average a period late: 17 ms of 250 rpm/s


def test_a_quiet_loop_stays_quiet():
    trial = Trial(3300.0, 1470.0, 2.0)
    answers = predict([MODEL], LAW, trial, np.random.default_rng(1))
    assert np.max(np.abs(answers.speed_rpm - 3300.0)) < 1.0


def test_saturation_and_slew_limit_the_answer():
    near_end = Trial(3300.0, 1890.0, 3.0, request_step_rpm=400.0)
    answers = predict([MODEL], LAW, near_end, np.random.default_rng(1))
    assert answers.pulse_us.max() == 1900.0
    assert answers.speed_rpm[0, -1] == pytest.approx(3300.0 + 8.0 * 10.0, abs=2.0)
    rises = np.diff(predict([MODEL], LAW, Trial(3300.0, 1400.0, 1.0, 400.0), np.random.default_rng(1)).pulse_us[0])
    assert rises.max() <= 1.0  # 500 us/s for 2 ms, in whole microseconds


def test_a_load_is_taken_out_again():
    load = load_answers([LoopModel("first_order", -10.0, 0.02, 0.06)], 4.0, 3.0)
    answers = predict([MODEL], LAW, Trial(3300.0, 1470.0, 3.0, load_rpm=load), np.random.default_rng(1))
    assert answers.speed_rpm.min() == pytest.approx(3300.0 - 27.0, abs=8.0)
    assert answers.speed_rpm[0, -300:].mean() == pytest.approx(3300.0, abs=4.0)


def test_an_integrating_drive_is_not_predicted():
    with pytest.raises(ValueError, match="never settled"):
        Drives([LoopModel("integrating", 1.0, 0.1)], 1500.0)
