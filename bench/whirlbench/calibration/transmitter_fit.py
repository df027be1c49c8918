"""The transmitter's scale: which pulse stands at 0 %, and how much more makes 100 %."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line
from whirlbench.errors import CalibrationError

MOST_OFF_LINE_US = 5.0  # of the scale; beyond, an exponential or a limit was left switched on


@dataclass(frozen=True)
class TransmitterFit:
    """Pulse in us at 0 %, and the change of pulse that makes 100 %, each with its standard error."""

    middle_us: float
    full_travel_us: float
    stderr_middle_us: float
    stderr_full_us: float


def fit_transmitter(points: Sequence[KnownPoint]) -> TransmitterFit:
    """From travel in per cent (``value``) and the pulse measured in us (``counts``), at least three travels.

    CalibrationError when the pulses do not lie on a line: end points carried over by a scale would be wrong.
    """
    fit = fit_line(points, "%", "transmitter", (500.0, 2500.0))
    worst_us = float(abs(fit.residuals * fit.slope).max())
    if worst_us > MOST_OFF_LINE_US:
        raise CalibrationError(
            f"transmitter: the pulses lie up to {worst_us:.0f} us off a line: switch off exponential, curves and "
            "travel limits of the channel, and measure again"
        )
    error_middle, error_full = fit.stderr_zero * abs(fit.slope), fit.stderr_gain_pct * abs(fit.slope)
    return TransmitterFit(fit.offset, abs(fit.slope) * 100.0, error_middle, error_full)
