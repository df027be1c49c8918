"""A spectrum against sines that are known: height, place, and what lost samples may not do to it."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.analysis.orders import spectrum
from whirlbench.errors import AnalysisError
from whirlbench.samples import VibrationSamples

RATE_HZ = 1600.0


def shaken(length_s: float = 10.0, **sines: tuple[float, float]) -> VibrationSamples:
    """Axes by name, each a sine of (Hz, g peak) with a mean of 1 g."""
    time_s = np.arange(0.0, length_s, 1 / RATE_HZ)
    axes = {name: 1.0 + size * np.sin(2 * np.pi * hz * time_s) for name, (hz, size) in sines.items()}
    return VibrationSamples(time_s, rate_hz=RATE_HZ, **axes)


@pytest.mark.parametrize("hz", [50.0, 50.25, 50.5, 333.3])
def test_a_sine_has_its_height_wherever_it_lies_between_two_lines(hz: float) -> None:
    found = spectrum(shaken(ay_g=(hz, 0.5)))
    line = found.peaks("ay_g", 1)[0]
    assert found.amplitude_g[0, line] == pytest.approx(0.5, rel=0.003)
    assert found.frequency_hz[line] == pytest.approx(hz, abs=0.51 / found.frame_s)
    assert found.frames == 19 and found.frame_s == pytest.approx(1.0)


def test_the_mean_is_no_vibration_and_each_line_is_told_once() -> None:
    samples = shaken(ax_g=(80.0, 0.1), ay_g=(50.0, 0.5))
    found = spectrum(samples)
    assert found.axes == ("ax_g", "ay_g")
    assert found.frequency_hz[found.peaks("ax_g", 1)[0]] == pytest.approx(80.0, abs=0.6)
    heights = found.amplitude_g[1, found.peaks("ay_g", 3)]
    assert heights[0] == pytest.approx(0.5, rel=0.01) and (heights[1:] < 1e-3).all()


def test_frames_with_lost_samples_are_not_used() -> None:
    whole = shaken(6.0, ay_g=(50.0, 0.5))
    kept = np.delete(np.arange(len(whole.time_s)), slice(3200, 4013))  # not a whole number of turns
    torn = VibrationSamples(whole.time_s[kept], ay_g=whole.ay_g[kept], rate_hz=RATE_HZ)
    found = spectrum(torn)
    assert found.frames == 3 + 5
    assert found.amplitude_g[0, found.peaks("ay_g", 1)[0]] == pytest.approx(0.5, rel=0.003)
    holed = whole.ay_g.copy()
    holed[3200] = np.nan
    found = spectrum(VibrationSamples(whole.time_s, ay_g=holed, rate_hz=RATE_HZ))
    assert np.isfinite(found.amplitude_g).all() and found.frames == 3 + 6  # one sample short of seven


def test_a_short_stretch_has_fewer_lines_and_too_short_a_one_is_refused() -> None:
    found = spectrum(shaken(0.25, ay_g=(100.0, 0.5)))
    assert found.frame_s == pytest.approx(0.25) and found.frames == 1
    with pytest.raises(AnalysisError, match="found 48 samples of vibration without a loss, expected at least 64"):
        spectrum(shaken(0.03, ay_g=(100.0, 0.5)))
    with pytest.raises(AnalysisError, match="no vibration was recorded"):
        spectrum(VibrationSamples())
