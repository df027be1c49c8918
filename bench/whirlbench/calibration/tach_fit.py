"""The tach's marks and its clock: from a speed known by other means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError

# A ceramic resonator keeps within half a per cent, a crystal far better; more than this is no clock's error but a
# count of marks that is wrong. Half a per cent: makers' data sheets of resonators, from memory.
MOST_CLOCK_PCT = 1.0
LEAST_READINGS = 3


@dataclass(frozen=True)
class TachFit:
    """Marks a turn, and the factor by which the device's speed is to be multiplied, with its standard error."""

    pulses_per_rev: int
    clock_correction: float
    stderr: float


def fit_tach(known_rpm: np.ndarray, read_rpm: np.ndarray, pulses_per_rev: int) -> TachFit:
    """From speeds known ``(n,)`` (strobe, or a lamp on the mains) and what the device showed with ``pulses_per_rev``.

    CalibrationError when the readings contradict each other, or fit no whole number of marks: a strobe shows a
    standing picture at half and at twice the speed, too.
    """
    known = np.isfinite(known_rpm) & np.isfinite(read_rpm) & (known_rpm > 0) & (read_rpm > 0)
    ratios = known_rpm[known] / read_rpm[known]
    if len(ratios) < LEAST_READINGS:
        raise CalibrationError(f"tach: {len(ratios)} reading(s) above zero; at least {LEAST_READINGS} are needed")
    middle = float(np.median(ratios))
    marks = pulses_per_rev / middle
    whole = round(marks)
    if whole < 1 or abs(marks / whole - 1.0) * 100.0 > MOST_CLOCK_PCT:
        raise CalibrationError(
            f"tach: known and shown speed differ by the factor {middle:.4g}, which fits no whole number of marks "
            f"a turn ({pulses_per_rev} are set): at half or twice the speed a strobe's picture stands still, too"
        )
    corrections = ratios * whole / pulses_per_rev
    odd = int(np.argmax(np.abs(corrections - np.median(corrections))))
    if abs(corrections[odd] - np.median(corrections)) * 100.0 > MOST_CLOCK_PCT:
        raise CalibrationError(f"tach: reading {odd + 1} differs from the others by more than {MOST_CLOCK_PCT:g} %")
    stderr = float(corrections.std(ddof=1) / np.sqrt(len(corrections)))
    return TachFit(whole, float(corrections.mean()), stderr)
