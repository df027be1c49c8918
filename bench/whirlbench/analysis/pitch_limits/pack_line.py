"""The pack under load as a straight line: open voltage and resistance, from the holds' own voltages and currents."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.propeller import Hold
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig

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

    The resistance is taken from the data when the currents differ enough and it comes out positive, else from
    ``pack.resistance_ohm`` (0 when absent). Discharge over the run is fitted beside it, as a straight line in time per
    recording, so that it is not taken for resistance; the open voltage is that of the middle of the holds. Holds
    without current or voltage are left out; AnalysisError without any.
    """
    usable = [hold for hold in holds if math.isfinite(hold.current_a.mean) and math.isfinite(hold.voltage_v.mean)]
    if not usable:
        raise AnalysisError("no hold has both current and voltage: the pack's sag cannot be told")
    current = np.array([hold.current_a.mean for hold in usable])
    voltage = np.array([hold.voltage_v.mean for hold in usable])
    drift = _discharge_columns(usable)
    solved = _solve(current, voltage, drift)
    if solved is not None:
        return solved
    resistance = rig.pack.resistance_ohm or 0.0
    rest = voltage + resistance * current
    scatter = float(np.std(rest, ddof=1)) if len(rest) > 1 else 0.0
    return PackLine(float(np.mean(rest)), resistance, scatter)


def _discharge_columns(holds: Sequence[Hold]) -> np.ndarray:
    """Time within each recording, one column a recording of four holds or more, mean removed; ``(n, recordings)``."""
    sources = [hold.source for hold in holds]
    middle_s = np.array([(hold.from_s + hold.to_s) / 2 for hold in holds])
    columns = []
    for source in dict.fromkeys(sources):
        here = np.array([name == source for name in sources])
        if here.sum() >= 4:
            columns.append(np.where(here, middle_s - middle_s[here].mean(), 0.0))
    return np.column_stack(columns) if columns else np.empty((len(holds), 0))


def _solve(current: np.ndarray, voltage: np.ndarray, drift: np.ndarray) -> PackLine | None:
    """Least squares for open voltage, resistance and discharge; None when the data cannot tell the resistance."""
    if len(current) < 4 or np.ptp(current) < CURRENT_SPREAD * max(abs(float(np.mean(current))), 1e-9):
        return None
    rows = np.column_stack((np.ones_like(current), -current, drift))
    if len(current) <= rows.shape[1]:
        rows = rows[:, :2]
    parameters, _, rank, _ = np.linalg.lstsq(rows, voltage, rcond=1e-10)
    if rank < rows.shape[1] or parameters[1] <= 0.0:
        return None
    rest = voltage - rows @ parameters
    scatter = math.sqrt(float(rest @ rest) / max(len(current) - rank, 1))
    return PackLine(float(parameters[0]), float(parameters[1]), scatter)
