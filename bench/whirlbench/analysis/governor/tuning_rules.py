"""Tuning rules: from a model of the drive to a simple one, and from that to gains with one knob.

Simple internal model control; the checks against published figures set other rules beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Gains:
    """A controller: ``proportional`` in pulse (or whatever drives) per rpm, times in s; ``derivative_s`` 0 for a PI.

    ``series``: K (1 + 1/(Ti s)) (1 + Td s); otherwise K (1 + 1/(Ti s) + Td s).
    """

    proportional: float
    integral_time_s: float
    derivative_s: float = 0.0
    series: bool = True

    @property
    def integral(self) -> float:
        """Integral gain per second."""
        return self.proportional / self.integral_time_s

    def frequency_response(self, omega_rad_s: np.ndarray) -> np.ndarray:
        """Complex gain at ``omega_rad_s`` > 0."""
        s = 1j * np.asarray(omega_rad_s, dtype=float)
        action, lead = 1.0 + 1.0 / (self.integral_time_s * s), self.derivative_s * s
        result: np.ndarray = self.proportional * (action * (1.0 + lead) if self.series else action + lead)
        return result


@dataclass(frozen=True)
class SimpleDrive:
    """Gain / ((lag s + 1) (second_lag s + 1)) with a dead time; an infinite ``lag_s`` integrates.

    For an integrating drive ``gain`` is rpm per unit per second.
    """

    gain: float
    lag_s: float
    dead_time_s: float
    second_lag_s: float = 0.0


def simc(drive: SimpleDrive, closed_loop_time_s: float) -> Gains:
    """Gains that make the loop close in ``closed_loop_time_s`` (> 0, the one knob; the dead time is "tight").

    A second lag becomes derivative action. Source: Skogestad, J. Process Control 13 (2003) 291-309, from memory;
    its table of margins is reproduced in the published checks.
    """
    reach = closed_loop_time_s + drive.dead_time_s
    if not reach > 0.0:
        raise ValueError("closed-loop time and dead time add up to nothing: the rule needs one of them above zero")
    if math.isinf(drive.lag_s):
        return Gains(1.0 / (drive.gain * reach), 4.0 * reach, drive.second_lag_s)
    return Gains(drive.lag_s / (drive.gain * reach), min(drive.lag_s, 4.0 * reach), drive.second_lag_s)


def half_rule(
    lags_s: Sequence[float], dead_time_s: float = 0.0, gain: float = 1.0, keep: int = 1, inverse_s: Sequence[float] = ()
) -> SimpleDrive:
    """One lag (``keep`` 1) or two in place of many ``lags_s`` (in s).

    Half the largest neglected lag is added to the last kept one; the rest of the neglected, and the inverse responses
    ``inverse_s`` (-T s + 1), count as dead time. Two kept lags come back with the larger first. Source: Skogestad 2003,
    as above.
    """
    lags = sorted(lags_s, reverse=True)
    kept, neglected = lags[:keep], lags[keep:]
    half = neglected[0] / 2.0 if neglected else 0.0
    kept[-1] += half
    dead = dead_time_s + half + sum(neglected[1:]) + sum(inverse_s)
    first, second = max(kept), min(kept) if keep == 2 else 0.0
    return SimpleDrive(gain, first, dead, second)
