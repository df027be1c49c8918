"""Vibration within a band of frequencies, as the yardsticks of machinery quote it: rms over 10 to 1000 Hz."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import sample_rate_hz
from whirlbench.errors import AnalysisError
from whirlbench.samples import VibrationSamples
from whirlbench.units import STANDARD_GRAVITY_M_S2, ips_from_mm_s


@dataclass(frozen=True)
class BandVibration:
    """Broadband figures of one axis within ``band_hz``; nothing outside the band is in them."""

    axis: str
    band_hz: tuple[float, float]
    acceleration_g_rms: float
    velocity_mm_s_rms: float
    velocity_ips_rms: float
    displacement_um_rms: float
    crest_factor: float


def band_vibration(vibration: VibrationSamples, axis: str, band_hz: tuple[float, float]) -> BandVibration:
    """Rms acceleration, velocity and displacement of one axis inside ``band_hz`` (Hz, low above zero).

    Uses the longest stretch without lost samples. The stretch is integrated in the frequency domain (divide by j w)
    under no window, lines outside the band set to zero. Raises AnalysisError when the axis is missing, the band is not
    0 < low < high, or the stretch is shorter than ten periods of the lower edge.
    """
    low, high = band_hz
    if not vibration.has(axis):
        raise AnalysisError(f"no {axis} was recorded: its velocity cannot be found")
    if not 0 < low < high:
        raise AnalysisError(f"band {low:g} to {high:g} Hz: velocity needs 0 < low < high")
    rate_hz = sample_rate_hz(vibration)
    values = _longest_stretch(vibration, axis, rate_hz)
    if len(values) < 10 * rate_hz / low:
        raise AnalysisError(
            f"{len(values) / rate_hz:.2f} s without a gap: a band from {low:g} Hz needs {10 / low:.2f} s"
        )
    acceleration, velocity, displacement = (integrate_g(values, rate_hz, band_hz, times) for times in (0, 1, 2))
    rms_g = float(np.sqrt(np.mean(acceleration**2)))
    velocity_rms = float(np.sqrt(np.mean(velocity**2)))
    return BandVibration(
        axis=axis,
        band_hz=(low, min(high, rate_hz / 2)),
        acceleration_g_rms=rms_g,
        velocity_mm_s_rms=velocity_rms,
        velocity_ips_rms=ips_from_mm_s(velocity_rms),
        displacement_um_rms=float(np.sqrt(np.mean(displacement**2))),
        crest_factor=crest_factor(acceleration),
    )


def integrate_g(value_g: np.ndarray, rate_hz: float, band_hz: tuple[float, float], times: int = 1) -> np.ndarray:
    """Acceleration in g integrated ``times`` times inside ``band_hz``: 0 gives g, 1 mm/s, 2 micrometres.

    NaN is not allowed. The series is taken as periodic: near its ends a component that does not close leaves a ripple.
    """
    spectrum = np.fft.rfft(value_g - value_g.mean())
    frequency_hz = np.fft.rfftfreq(len(value_g), 1 / rate_hz)
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    factor = np.zeros(len(frequency_hz), dtype=complex)
    factor[inside] = (2j * np.pi * frequency_hz[inside]) ** -times
    scale = 1.0 if times == 0 else STANDARD_GRAVITY_M_S2 * 1000.0**times
    return np.fft.irfft(spectrum * factor * scale, len(value_g))


def crest_factor(values: np.ndarray) -> float:
    """Largest magnitude over rms of ``values``; NaN for an empty or all-zero array."""
    rms = float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0
    return float(np.max(np.abs(values)) / rms) if rms > 0 else float("nan")


def _longest_stretch(vibration: VibrationSamples, axis: str, rate_hz: float) -> np.ndarray:
    """Values of the axis in the longest stretch that has neither lost samples nor NaN."""
    values = np.asarray(getattr(vibration, axis), dtype=float)
    broken = np.append(np.diff(vibration.time_s) * rate_hz > 1.5, True) | ~np.isfinite(values)
    ends = np.flatnonzero(broken)
    starts = np.concatenate([[0], ends[:-1] + 1])
    longest = int(np.argmax(ends - starts))
    stretch = values[starts[longest] : ends[longest] + 1]
    return stretch[np.isfinite(stretch)]
