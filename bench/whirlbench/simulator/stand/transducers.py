"""From engineering values to the counts a device would send: the rig's calibrations backwards, noise, rounding.

``counts`` is what the wire carries; ``seen`` is those counts in units again, as someone with this rig file would read
them. The truth may differ from the calibration by an error drawn once for a stand (``CalibrationErrors``).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from whirlbench.rig.description import Calibration, Rig
from whirlbench.simulator.stand.interpolation import Line

ADC_TOP = 1023
LOAD_TOP = 2**23 - 1
ACCELEROMETER_TOP = 4095  # 13 bits
TICK_S = 0.5e-6
STOCK = 512  # noise drawn at a time
TACH_JITTER_S = 2.5e-6  # of the edge in the pick-up and its comparator
DEFAULTS = {
    "current_a": Calibration(unit="A", zero_counts=512.0, units_per_count=0.3255),
    "voltage_v": Calibration(unit="V", units_per_count=0.0489),
    "thrust_n": Calibration(unit="N", zero_counts=84000.0, units_per_count=1.25e-4),
    "pitch_deg": Calibration(unit="deg", table=((180.0, -4.0), (840.0, 26.0))),
}
NOISE_COUNTS = {"current_a": 0.9, "voltage_v": 0.5, "thrust_n": 900.0, "pitch_deg": 0.5}
TOP_COUNTS = {"current_a": ADC_TOP, "voltage_v": ADC_TOP, "thrust_n": LOAD_TOP, "pitch_deg": ADC_TOP}


@dataclass(frozen=True)
class CalibrationErrors:
    """Relative error of the gain and error of the zero (in units) of each channel; empty: the rig file is right."""

    gain: dict[str, float] = field(default_factory=dict)
    zero: dict[str, float] = field(default_factory=dict)

    @classmethod
    def drawn(cls, rig: Rig, rng: np.random.Generator) -> CalibrationErrors:
        """Errors drawn from the standard errors that the rig file states for its calibrations."""
        gain, zero = {}, {}
        for name in DEFAULTS:
            calibration = rig.calibration.get(name, DEFAULTS[name])
            gain[name] = calibration.stderr_gain_pct / 100.0 * float(rng.standard_normal())
            zero[name] = calibration.stderr_zero * float(rng.standard_normal())
        return cls(gain, zero)


class Transducers:
    """The sensors of one stand; every draw comes from ``rng``."""

    def __init__(self, rig: Rig, rng: np.random.Generator, errors: CalibrationErrors | None = None) -> None:
        self._calibrations = {name: rig.calibration.get(name, default) for name, default in DEFAULTS.items()}
        self._errors = errors or CalibrationErrors()
        self._g_per_count = rig.vibration.g_per_count
        streams = rng.spawn(len(DEFAULTS) + 1)
        self._noise = dict(zip(DEFAULTS, streams, strict=False))
        self._tach = streams[-1]
        self._stock: dict[str, list[float]] = {}
        self._lines = {name: _inverse(item) for name, item in self._calibrations.items() if item.table is not None}

    def counts(self, name: str, values: np.ndarray) -> np.ndarray:
        """Whole counts (int64, shape kept) of true ``values`` on the channel ``name``, clipped to its converter."""
        wrong = values * (1.0 + self._errors.gain.get(name, 0.0)) + self._errors.zero.get(name, 0.0)
        raw = to_counts(self._calibrations[name], wrong)
        raw = raw + NOISE_COUNTS[name] * self._noise[name].standard_normal(np.shape(raw))
        lowest = -LOAD_TOP - 1 if name == "thrust_n" else 0
        result: np.ndarray = np.clip(np.rint(raw), lowest, TOP_COUNTS[name]).astype(np.int64)
        return result

    def count(self, name: str, value: float) -> int:
        """Like ``counts`` for one number, quickly: for a device that samples in time."""
        stock = self._stock.get(name)
        if not stock:
            stock = (NOISE_COUNTS[name] * self._noise[name].standard_normal(STOCK)).tolist()
            self._stock[name] = stock
        wrong = value * (1.0 + self._errors.gain.get(name, 0.0)) + self._errors.zero.get(name, 0.0)
        lowest = -LOAD_TOP - 1 if name == "thrust_n" else 0
        return min(max(round(self._exact_count(name, wrong) + stock.pop()), lowest), TOP_COUNTS[name])

    def _exact_count(self, name: str, value: float) -> float:
        line = self._lines.get(name)
        if line is not None:
            return line.at(value)
        calibration = self._calibrations[name]
        assert calibration.units_per_count is not None  # check_rig refuses a calibration with neither
        return value / calibration.units_per_count + calibration.zero_counts

    def seen(self, name: str, values: np.ndarray) -> np.ndarray:
        """True ``values`` as read back through noise, rounding and the rig's calibration."""
        return to_units(self._calibrations[name], self.counts(name, values))

    def vibration_counts(self, acceleration_g: np.ndarray) -> np.ndarray:
        """Accelerometer counts (int16, shape kept), clipped to 13 bits; its noise is already in the acceleration."""
        raw = np.rint(acceleration_g / self._g_per_count)
        return np.clip(raw, -ACCELEROMETER_TOP - 1, ACCELEROMETER_TOP).astype(np.int16)

    def tach_times_s(self, edges_s: np.ndarray) -> np.ndarray:
        """Edge times with the pick-up's jitter, on the device's half-microsecond counter."""
        jittered = edges_s + TACH_JITTER_S * self._tach.standard_normal(len(edges_s))
        return np.rint(jittered / TICK_S) * TICK_S


def to_counts(calibration: Calibration, values: np.ndarray) -> np.ndarray:
    """Exact counts (not rounded) of values in units; a table is clamped at its ends."""
    if calibration.table is not None:
        counts, units = np.asarray(calibration.table).T
        order = np.argsort(units)
        result: np.ndarray = np.interp(values, units[order], counts[order])
        return result
    assert calibration.units_per_count is not None  # check_rig refuses a calibration with neither
    return values / calibration.units_per_count + calibration.zero_counts


def _inverse(calibration: Calibration) -> Line:
    counts, units = np.asarray(calibration.table).T
    order = np.argsort(units)
    return Line(units[order], counts[order], prolonged=True)


def to_units(calibration: Calibration, counts: np.ndarray) -> np.ndarray:
    """Values in units of counts, by the formula the rig file documents."""
    if calibration.table is not None:
        result: np.ndarray = np.interp(counts, *np.asarray(calibration.table).T)
        return result
    assert calibration.units_per_count is not None
    return (counts - calibration.zero_counts) * calibration.units_per_count
