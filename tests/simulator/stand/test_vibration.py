"""Shaking against the closed form: phase of 1P, amplification at resonance, orders, ringing after a blow."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from mount_response import response_m_s2_per_n

from whirlbench.simulator.stand import Effects, StandVibration, vibration
from whirlbench.simulator.stand.settings import StandSettings
from whirlbench.simulator.stand.vibration import Motion, Mount
from whirlbench.units import STANDARD_GRAVITY_M_S2

RATE_HZ = 1600.0
AX, AY, AZ = range(3)
SILENT = replace(
    StandSettings(),
    order_forces=((0.0, 0.0, 0.0),),
    order_phase_deg=(0.0,),
    broadband_n_rms=0.0,
    warm_up_share=0.0,
    warm_up_deg=0.0,
)


@pytest.fixture(autouse=True)
def perfect_sensor(monkeypatch):
    monkeypatch.setattr(vibration, "SENSOR_NOISE_G", 0.0)
    monkeypatch.setattr(vibration, "GRAVITY_G", (0.0, 0.0, 0.0))


def steady(stand: StandSettings, frequency_hz: float, effects: Effects | None = None, seconds: float = 6.0):
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    angle = 2.0 * math.pi * frequency_hz * time
    motion = Motion(time, angle, np.full_like(time, 2.0 * math.pi * frequency_hz))
    return angle, StandVibration(stand, np.random.default_rng(1), RATE_HZ).samples_g(motion, effects or Effects())


def phasor(angle: np.ndarray, signal: np.ndarray, order: int = 1) -> complex:
    """Amplitude and phase of cos(order * angle + phase), over the settled half in whole turns."""
    half = angle >= math.floor(angle[-1] / (4.0 * math.pi)) * 2.0 * math.pi
    design = np.stack((np.cos(order * angle[half]), np.sin(order * angle[half])), axis=1)
    cosine, sine = np.linalg.lstsq(design, signal[half], rcond=None)[0]
    return complex(cosine, -sine)


@pytest.mark.parametrize("frequency_hz", [25.0, 46.0, 66.0, 75.0, 93.0])
def test_1p_is_unbalance_through_the_mount(frequency_hz):
    stand = replace(SILENT, unbalance_g_mm=30.0, unbalance_deg=70.0)
    angle, seen = steady(stand, frequency_hz)
    force = 30e-6 * (2.0 * math.pi * frequency_hz) ** 2 * np.exp(1j * math.radians(70.0))
    for axis, turned in ((AZ, 1.0), (AY, -1j), (AX, stand.axial_share)):
        true = force * turned * response_m_s2_per_n(stand, axis, frequency_hz) / STANDARD_GRAVITY_M_S2
        found = phasor(angle, seen[:, axis])
        assert abs(found) == pytest.approx(abs(true), rel=0.03)
        assert np.angle(found / true, deg=True) == pytest.approx(0.0, abs=1.5)


def test_far_above_resonance_the_stand_moves_with_the_heavy_spot():
    stand = replace(SILENT, unbalance_deg=70.0, resonance_hz=(5.0, 5.0, 5.0))
    angle, seen = steady(stand, 90.0)
    assert np.angle(phasor(angle, seen[:, AZ]), deg=True) == pytest.approx(70.0, abs=2.0)
    assert np.angle(phasor(angle, seen[:, AY]), deg=True) == pytest.approx(70.0 - 90.0, abs=2.0)


def test_amplification_at_resonance_is_one_over_twice_the_damping():
    stand = replace(SILENT, unbalance_g_mm=30.0)
    _, seen = steady(stand, stand.resonance_hz[AZ])
    rigid = 30e-6 * (2.0 * math.pi * stand.resonance_hz[AZ]) ** 2 / stand.moving_mass_kg[AZ] / STANDARD_GRAVITY_M_S2
    settled = seen[len(seen) // 2 :, AZ]
    assert settled.max() / rigid == pytest.approx(1.0 / (2.0 * stand.damping_ratio[AZ]), rel=0.01)


def test_a_blow_rings_at_the_natural_frequency_and_decays_with_its_damping():
    stand = replace(SILENT, damping_ratio=(0.06, 0.05, 0.02))
    blow = np.zeros(1600)
    blow[0] = 1.0
    ring = Mount(stand, AZ, RATE_HZ).acceleration_m_s2(blow)[5:]
    crossings = np.flatnonzero((ring[:-1] < 0.0) & (ring[1:] >= 0.0))
    exact = crossings - ring[crossings] / (ring[crossings + 1] - ring[crossings])
    period_s = np.diff(exact).mean() / RATE_HZ
    assert 1.0 / period_s == pytest.approx(stand.resonance_hz[AZ] * math.sqrt(1.0 - 0.02**2), rel=0.005)
    peaks = [ring[a:b].max() for a, b in pairwise(crossings)]
    decrement = np.log(peaks[1] / peaks[9]) / 8.0
    assert decrement == pytest.approx(2.0 * math.pi * 0.02 / math.sqrt(1.0 - 0.02**2), rel=0.05)


def test_orders_have_their_force_and_phase():
    stand = replace(SILENT, unbalance_g_mm=0.0, order_forces=((0.0,) * 3, (0.0,) * 3, (1e-6, 2e-6, 4e-6)),
                    order_phase_deg=(0.0, 0.0, 30.0))  # fmt: skip
    angle, seen = steady(stand, 60.0)
    for axis in (AX, AY, AZ):
        true = stand.order_forces[2][axis] * (2.0 * math.pi * 60.0) ** 2 * np.exp(1j * math.radians(30.0))
        true *= response_m_s2_per_n(stand, axis, 240.0) / STANDARD_GRAVITY_M_S2
        assert abs(phasor(angle, seen[:, axis], 4) - true) < 0.03 * abs(true)
        assert abs(phasor(angle, seen[:, axis], 3)) < 1e-3 * abs(true)


def test_a_trial_mass_opposite_and_equal_balances():
    stand = replace(SILENT, unbalance_g_mm=30.0, unbalance_deg=70.0)
    _, seen = steady(stand, 80.0, Effects(unbalance_g_mm=30.0 * np.exp(1j * math.radians(250.0))))
    assert np.abs(seen).max() < 1e-9


def test_warm_up_moves_the_vector_slowly():
    stand = replace(SILENT, warm_up_share=0.2, warm_up_deg=10.0, warm_up_s=1.0)
    angle, seen = steady(stand, 90.0, seconds=12.0)
    cold = phasor(*(item[: int(0.2 * RATE_HZ)] for item in (angle, seen[:, AZ])))
    warm = phasor(angle, seen[:, AZ])
    assert abs(warm) / abs(cold) == pytest.approx(1.2, abs=0.06)
    assert np.angle(warm / cold, deg=True) == pytest.approx(10.0, abs=3.0)


def test_blocks_of_any_size_give_the_same_samples():
    stand = StandSettings()
    time = np.arange(4096) / RATE_HZ
    motion = Motion(time, 500.0 * time, np.full_like(time, 500.0))
    whole = StandVibration(stand, np.random.default_rng(4), RATE_HZ).samples_g(motion, Effects())
    cut = StandVibration(stand, np.random.default_rng(4), RATE_HZ)
    edges = [0, 16, 17, 400, 4096]
    blocks = [cut.samples_g(motion.part(a, b), Effects()) for a, b in pairwise(edges)]
    assert np.allclose(np.concatenate(blocks), whole, atol=1e-12)


def test_broadband_grows_with_the_square_of_speed():
    stand = replace(SILENT, unbalance_g_mm=0.0, broadband_n_rms=3.0)
    slow, fast = (np.std(steady(stand, hz)[1][:, AZ]) for hz in (40.0, 80.0))
    assert fast / slow == pytest.approx(4.0, rel=0.05)


def test_a_loose_sensor_follows_less_and_knocks():
    stand = replace(SILENT, unbalance_g_mm=30.0)
    angle, firm = steady(stand, 80.0)
    _, loose = steady(stand, 80.0, Effects(sensor_slack=1.0))
    assert abs(phasor(angle, loose[:, AZ])) < 0.6 * abs(phasor(angle, firm[:, AZ]))
    assert np.abs(loose).max() / np.std(loose) > 2.0 * np.abs(firm).max() / np.std(firm)
