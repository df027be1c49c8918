"""The pack under load as a straight line: open voltage and resistance, from the holds' own voltages and currents."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.analysis.holds import Hold
from bench.errors import AnalysisError
from bench.rig.description import Rig

CURRENT_SPREAD = 0.3  # relative: below this the holds' currents are too alike to tell the resistance


@dataclass(frozen=True)
class PackLine:
    """``V = open_voltage_v - resistance_ohm * I``; ``scatter_v`` is the standard deviation about it."""

    open_voltage_v: float
    resistance_ohm: float
    scatter_v: float

    def current_a(self, power_w: np.ndarray) -> np.ndarray:
        """Current in A that draws ``power_w``; NaN where the pack cannot deliver that much.

        Solves I (E - R I) = P for the smaller root.
        """
        root = self.open_voltage_v**2 - 4.0 * self.resistance_ohm * power_w
        with np.errstate(invalid="ignore"):
            return 2.0 * power_w / (self.open_voltage_v + np.sqrt(root))

    def voltage_v(self, current_a: np.ndarray) -> np.ndarray:
        """Voltage under a current in A."""
        return self.open_voltage_v - self.resistance_ohm * current_a


def fit_pack(holds: Sequence[Hold], rig: Rig) -> PackLine:
    """Line through the holds' (current, voltage) means.

    The slope is taken from the data when the currents differ enough and the slope comes out positive, else from
    ``pack.resistance_ohm`` (0 when absent). Holds without current or voltage are left out; AnalysisError without any.
    """
    current = np.array([hold.current_a.mean for hold in holds])
    voltage = np.array([hold.voltage_v.mean for hold in holds])
    good = np.isfinite(current) & np.isfinite(voltage)
    if not good.any():
        raise AnalysisError("no hold has both current and voltage: the pack's sag cannot be told")
    current, voltage = current[good], voltage[good]
    resistance = _slope(current, voltage)
    if resistance is None:
        resistance = rig.pack.resistance_ohm or 0.0
    rest = voltage + resistance * current
    scatter = float(np.std(rest, ddof=1)) if len(rest) > 1 else 0.0
    return PackLine(float(np.mean(rest)), resistance, scatter)


def _slope(current: np.ndarray, voltage: np.ndarray) -> float | None:
    if len(current) < 4 or np.ptp(current) < CURRENT_SPREAD * max(abs(float(np.mean(current))), 1e-9):
        return None
    slope = -float(np.polyfit(current, voltage, 1)[0])
    return slope if slope > 0 and math.isfinite(slope) else None
