"""The frequency response of a known drive comes back, within its own band, and agrees with the step model or not."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from whirlbench.analysis.speed_loop import LoopModel, compare_with_model, find_excitation, frequency_response
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, SlowSamples, TachPulses

MODEL = LoopModel("second_order", 7.0, 0.05, math.nan, 0.7, 9.0)


@functools.cache
def excited_run(amplitude_us: float = 15.0, jitter_s: float = 5e-6, duration_s: float = 40.0) -> Run:
    """Sum of sines on the throttle from 5 s on; the answer is exact, line by line."""
    rng = np.random.default_rng(8)
    fine = np.arange(0.0, duration_s, 2e-4)
    omega = 2.0 * math.pi * np.geomspace(0.2, 4.0, 10)
    phase = rng.uniform(0.0, 2.0 * math.pi, len(omega))
    answer = MODEL.frequency_response(omega)
    # it has been going on for ever: no transient
    speed = 4000.0 + amplitude_us * sum(
        abs(one) * np.sin(w * fine + p + np.angle(one)) for w, p, one in zip(omega, phase, answer, strict=True)
    )
    turns = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2.0)]) * 2e-4 / 60.0
    edges = np.interp(np.arange(1.0, turns[-1]), turns, fine)
    time = np.arange(0.0, duration_s, 0.002)
    throttle = 1500.0 + amplitude_us * sum(np.sin(w * time + p) for w, p in zip(omega, phase, strict=True))
    noisy = np.sort(edges + rng.normal(0.0, jitter_s, len(edges)))
    return Run(SlowSamples(time, throttle_us=np.round(throttle)), TachPulses(noisy))


def test_a_known_response_comes_back():
    run = excited_run()
    found = frequency_response(run, "throttle", 1.0, 39.0)
    expected = MODEL.frequency_response(2.0 * math.pi * found.frequency_hz)
    strong = found.coherence > 0.95
    assert strong.sum() >= 8
    assert np.abs(found.response / expected - 1.0)[strong].max() < 0.12
    assert found.frequency_hz.min() < 0.5
    assert found.frequency_hz.max() > 3.0


def test_the_model_behind_it_agrees_and_another_does_not():
    found = frequency_response(excited_run(), "throttle", 1.0, 39.0)
    assert compare_with_model(found, MODEL).agrees
    slower = LoopModel("second_order", 7.0, 0.15, math.nan, 0.7, 9.0)
    verdict = compare_with_model(found, slower)
    assert not verdict.agrees
    assert verdict.largest_phase_deg > 45.0


def test_noise_widens_the_band():
    quiet = frequency_response(excited_run(), "throttle", 1.0, 39.0)
    noisy = frequency_response(excited_run(3.0, 60e-6), "throttle", 1.0, 39.0)
    assert np.median(noisy.coherence) < np.median(quiet.coherence)
    assert np.median(noisy.phase_error_deg) > np.median(quiet.phase_error_deg)


def test_excitation_is_found_and_steps_are_none():
    span = find_excitation(excited_run(), "throttle")
    assert span is not None
    assert span[1] - span[0] > 35.0
    time = np.arange(0.0, 20.0, 0.002)
    assert find_excitation(Run(SlowSamples(time, throttle_us=1500.0 + 50.0 * (time > 9.0))), "throttle") is None


def test_a_governed_throttle_is_no_excitation():
    run = excited_run()
    slow = SlowSamples(
        run.slow.time_s,
        throttle_us=run.slow.channel("throttle_us"),
        speed_request_rpm=np.full(len(run.slow.time_s), 4000.0),
    )
    assert find_excitation(Run(slow, run.tach), "throttle") is None


def test_what_cannot_be_told_is_refused():
    run = excited_run()
    with pytest.raises(AnalysisError, match="at least 5 s"):
        frequency_response(run, "throttle", 1.0, 3.0)
    deaf = Run(run.slow, TachPulses(np.arange(0.0, 40.0, 0.015) + np.random.default_rng(1).normal(0, 1e-5, 2667)))
    with pytest.raises(AnalysisError, match="does not follow"):
        frequency_response(deaf, "throttle", 1.0, 39.0)


@functools.cache
def chirped_run(duration_s: float = 60.0) -> Run:
    """A throttle that swings ever faster, 0.2 to 3 Hz; the drive's answer by the exact step of a 1 ms staircase."""
    time = np.arange(0.0, duration_s, 0.001)
    turn = 2.0 * math.pi * (0.2 * time + 2.8 / (2.0 * duration_s) * time**2)
    throttle = 15.0 * np.sin(turn)
    z, w, delay = MODEL.damping_ratio, MODEL.natural_frequency_rad_s, round(MODEL.dead_time_s / 0.001)
    speed, rate, answer = 0.0, 0.0, np.empty(len(time))
    for index in range(len(time)):
        pulse = throttle[index - delay] if index >= delay else 0.0
        rate += 0.001 * (w * w * (MODEL.gain * pulse - speed) - 2.0 * z * w * rate)
        speed += 0.001 * rate
        answer[index] = speed
    turns = np.cumsum(4000.0 + answer) * 0.001 / 60.0
    edges = np.interp(np.arange(1.0, turns[-1]), turns, time)
    noisy = np.sort(edges + np.random.default_rng(2).normal(0.0, 5e-6, len(edges)))
    return Run(SlowSamples(time[::2], throttle_us=np.round(1500.0 + throttle[::2], 1)), TachPulses(noisy))


def test_a_chirp_goes_through_segments():
    run = chirped_run()
    span = find_excitation(run, "throttle")
    assert span is not None
    found = frequency_response(run, "throttle", *span)
    assert len(found.frequency_hz) > 15
    clear = (found.frequency_hz > 0.4) & (found.frequency_hz < 2.5)
    expected = MODEL.frequency_response(2.0 * math.pi * found.frequency_hz)
    ratio = (found.response / expected)[clear]
    assert np.median(np.abs(ratio)) == pytest.approx(1.0, abs=0.05)
    assert np.degrees(np.median(np.angle(ratio))) == pytest.approx(0.0, abs=4.0)
