"""Balancing runs whose unbalance is known, of formulas alone: this module shares no code with simulator or analysis.

A stand with a few lightly damped modes answers a rotating force and, where asked for, a couple; the speed wanders as a
loose governor's does and sags with the pack. Each mode has its own shape at rotor and sensor. Figures are invented, of
the size a stand would show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

AXES = ("ax_g", "ay_g", "az_g")


@dataclass(frozen=True)
class Mode:
    """One mode of the stand: its speed of resonance, damping, and what it makes of a force and of a couple."""

    rpm: float
    damping: float
    force: complex  # g per g mm at the sensor's first axis, far above resonance and at 3000 rpm
    couple: complex = 0.0
    shares: tuple[complex, ...] = (1.0, 0.7j, 0.25)  # of the axes


@dataclass(frozen=True)
class Stand:
    """A stand, how it holds its speed, and its noise."""

    modes: tuple[Mode, ...] = (Mode(9000.0, 0.03, 0.004), Mode(1200.0, 0.05, 0.002j, shares=(0.8, -0.9j, 0.1)))
    wander: float = 0.002  # relative, rms
    wander_s: float = 0.6
    sag: float = 0.002  # relative, over the run
    noise_g: float = 0.06
    other_g: float = 0.25  # of blade passing, at 3000 rpm
    axes: int = 2
    hold_s: float = 20.0
    rate_hz: float = 800.0
    tach_jitter_s: float = 4e-6


def answer(stand: Stand, rpm: np.ndarray, axis: int, unbalance: complex, couple: complex = 0.0) -> np.ndarray:
    """1P of one axis in g peak at each speed: force and answer of every mode, added up."""
    total = np.zeros(np.shape(rpm), complex)
    for mode in stand.modes:
        ratio = rpm / mode.rpm
        gain = ratio**2 / (1.0 - ratio**2 + 2j * mode.damping * ratio) * (rpm / 3000.0) ** 2
        total += mode.shares[axis] * gain * (mode.force * unbalance + mode.couple * couple)
    return total


def held_run(stand: Stand, rpm: float, unbalance: complex, rng: np.random.Generator, couple: complex = 0.0) -> Run:
    """One hold near ``rpm`` with ``unbalance`` in g mm and ``couple`` in g mm of its own on the rotor."""
    fine_s = np.arange(0.0, stand.hold_s, 1e-3)
    keep = np.exp(-1e-3 / stand.wander_s)
    kicks = np.sqrt(1.0 - keep**2) * rng.standard_normal(len(fine_s))
    slow, state = np.empty(len(fine_s)), rng.standard_normal()
    for index, kick in enumerate(kicks):
        state = keep * state + kick
        slow[index] = state
    smooth = np.convolve(slow, np.ones(150) / 150.0, mode="same")  # a rotor is not moved in a millisecond
    speed = rpm * (1.0 + stand.wander * smooth - stand.sag * fine_s / stand.hold_s)
    turn = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 120.0 * 1e-3)])
    pulses = np.interp(np.arange(1.0, np.floor(turn[-1])), turn, fine_s)
    pulses = pulses + stand.tach_jitter_s * rng.standard_normal(len(pulses))
    time_s = np.arange(0.0, stand.hold_s, 1.0 / stand.rate_hz)
    angle, now = np.interp(time_s, fine_s, turn), np.interp(time_s, fine_s, speed)
    axes = {}
    for axis, name in enumerate(AXES[-stand.axes :] if stand.axes < 3 else AXES):
        value = (answer(stand, now, axis, unbalance, couple) * np.exp(2j * np.pi * angle)).real
        value += stand.other_g * (now / 3000.0) ** 2 * np.cos(8.0 * np.pi * angle + axis)
        noise = rng.standard_normal(len(time_s) + 2)
        axes[name] = value + stand.noise_g * (noise[2:] + 0.6 * noise[1:-1] + 0.3 * noise[:-2])
    slow_s = np.arange(0.0, stand.hold_s, 0.02)
    return Run(
        SlowSamples(slow_s, rpm=np.interp(slow_s, fine_s, speed)),
        TachPulses(pulses),
        VibrationSamples(time_s, rate_hz=stand.rate_hz, **axes),
    )


def polar(size: float, degrees: float) -> complex:
    """A vector from size and angle."""
    return size * complex(np.exp(1j * np.radians(degrees)))
