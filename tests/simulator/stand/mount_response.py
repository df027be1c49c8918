"""The stand's mount in closed form, to judge the sampled filter by."""

from __future__ import annotations

import numpy as np

from whirlbench.simulator.stand.settings import StandSettings


def response_m_s2_per_n(stand: StandSettings, axis: int, frequency_hz: np.ndarray) -> np.ndarray:
    """Complex force-to-acceleration response of an axis at frequencies in Hz: the closed form behind the filter."""
    ratio = np.asarray(frequency_hz) / stand.resonance_hz[axis]
    return -(ratio**2) / (stand.moving_mass_kg[axis] * (1.0 - ratio**2 + 2j * stand.damping_ratio[axis] * ratio))
