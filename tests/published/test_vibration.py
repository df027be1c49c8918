"""Vibration figures against published ones and against an independent demodulation.

VIB-1, VIB-2, VIB-4 are recomputed identities; VIB-3 is a propeller shop's web page, read at second hand; VIB-5 is the
zone table of ISO 10816-1:1995 Annex B as several others quote it, the primary table not read; it is here only to show
that the yardsticks are rms over 10 to 1000 Hz while ips figures are peak at 1P, and that the two are not one scale.
"""

import numpy as np
import pytest
from band_vibration import band_vibration, crest_factor

from whirlbench.analysis.balance import sine_vibration
from whirlbench.analysis.orders import track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, TachPulses, VibrationSamples
from whirlbench.units import ips_from_mm_s, velocity_mm_s_from_g


def test_vib_1_a_fifth_of_an_inch_per_second_at_8000_rpm():
    sine = sine_vibration(0.433972, 8000 / 60)
    assert sine.velocity_ips_peak == pytest.approx(0.2, rel=1e-5)
    assert sine.velocity_mm_s_peak == pytest.approx(5.08, rel=1e-5)
    assert sine.velocity_mm_s_rms == pytest.approx(3.592102, rel=1e-5)
    assert sine.displacement_um_peak_to_peak == pytest.approx(12.12761, rel=1e-5)


def test_vib_2_one_g_at_100_hz():
    sine = sine_vibration(1.0, 100.0)
    assert sine.velocity_mm_s_peak == pytest.approx(15.60777, rel=1e-5)
    assert sine.displacement_um_peak_to_peak / 2 == pytest.approx(24.84054, rel=1e-5)


def test_vib_3_a_thousandth_of_an_inch_of_offset_at_2700_rpm():
    velocity_mm_s = 0.0254 * 2 * np.pi * 2700 / 60
    assert ips_from_mm_s(velocity_mm_s) == pytest.approx(0.282743, rel=1e-5)
    assert ips_from_mm_s(velocity_mm_s) == pytest.approx(0.3, rel=0.06)  # ".3 IPS" as printed by the shop


def test_vib_4_crest_factors():
    turn = (np.arange(100000) + 0.5) / 100000
    assert crest_factor(np.sin(2 * np.pi * turn)) == pytest.approx(1.414214, abs=1e-5)
    assert crest_factor(1 - 4 * np.abs(turn - 0.5)) == pytest.approx(1.732051, abs=5e-5)
    assert crest_factor(np.sign(np.sin(2 * np.pi * turn))) == pytest.approx(1.0)


def test_vib_5_rms_zone_bounds_are_not_peak_ips():
    """Class I zone A/B, 0.71 mm/s rms, is 0.040 ips peak of a pure sine; a propeller manual has 0.2 ips."""
    assert ips_from_mm_s(0.71 * np.sqrt(2)) == pytest.approx(0.0395, rel=1e-2)


def test_band_velocity_of_a_sine_equals_the_identity_and_keeps_out_the_rest():
    time_s = np.arange(0, 10, 1 / 1600)
    value = np.sin(2 * np.pi * 100 * time_s) + 0.5 * np.sin(2 * np.pi * 4 * time_s) + 1.0
    band = band_vibration(VibrationSamples(time_s, ax_g=value, rate_hz=1600), "ax_g", (10, 400))
    assert band.velocity_mm_s_rms == pytest.approx(velocity_mm_s_from_g(1.0, 100.0) / np.sqrt(2), rel=1e-3)
    assert band.displacement_um_rms == pytest.approx(24.84054 / np.sqrt(2), rel=1e-3)
    assert band.acceleration_g_rms == pytest.approx(np.sqrt(0.5), rel=1e-3)


def test_band_velocity_refuses_what_it_cannot_tell():
    short = VibrationSamples(np.arange(0, 0.3, 1 / 1600), ax_g=np.ones(480), rate_hz=1600)
    with pytest.raises(AnalysisError, match="without a gap"):
        band_vibration(short, "ax_g", (10, 400))
    with pytest.raises(AnalysisError, match="0 < low < high"):
        band_vibration(short, "ax_g", (0, 400))
    with pytest.raises(AnalysisError, match="no ay_g"):
        band_vibration(short, "ay_g", (10, 400))


def test_order_tracks_against_scipy_demodulation():
    """An independent path: chirp phase by formula, product with a carrier, zero-phase Butterworth low-pass."""
    from scipy import signal

    time_s = np.arange(0, 24, 1 / 1600)
    turn = 40 * time_s + 0.8 * time_s**2  # 2400 rpm rising 96 rpm each second
    amplitude = 0.4 * np.exp(0.05j * time_s) * (1 + 0.03 * time_s)
    rng = np.random.default_rng(11)
    value = (amplitude * np.exp(2j * np.pi * turn)).real + 0.3 * np.cos(2 * np.pi * 4 * turn)
    value += 0.02 * rng.standard_normal(len(time_s))
    sos = signal.butter(4, 1.2, fs=1600, output="sos")
    mixed = 2 * value * np.exp(-2j * np.pi * turn)
    reference = signal.sosfiltfilt(sos, mixed.real) + 1j * signal.sosfiltfilt(sos, mixed.imag)
    count = np.floor(turn[-1])
    pulses = (-40 + np.sqrt(1600 + 3.2 * np.arange(0, count))) / 1.6
    run = Run(tach=TachPulses(pulses), vibration=VibrationSamples(time_s, ay_g=value, rate_hz=1600))
    tracks = track_orders(run, (1, 4))
    middle = (tracks.time_s > 2) & (tracks.time_s < 22)
    expected = np.interp(tracks.time_s, time_s, reference.real) + 1j * np.interp(tracks.time_s, time_s, reference.imag)
    assert np.max(np.abs(tracks.phasor("ay_g", 1) - expected)[middle]) < 0.01
