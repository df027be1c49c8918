"""The slow channels of a rig: wire counts in, engineering values out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from whirlbench.calibration.curves import Curve, curve_through
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TICKS_PER_MINUTE

NOT_FITTED = 0xFFFF  # what the device sends for a missing feedback potentiometer
CALIBRATED = ("current_a", "voltage_v", "thrust_n")


class SlowCalibration:
    """Applies a rig's calibrations to counts named after the channel they become.

    ``rpm`` counts are whole turns in ticks of 0.5 us (0: at rest), ``current_a voltage_v thrust_n pitch_deg`` ADC
    counts, ``throttle_us servo_us speed_request_rpm`` are sent in units already.
    """

    def __init__(self, rig: Rig) -> None:
        self._ticks_per_minute = TICKS_PER_MINUTE * rig.tach.clock_correction
        self.curves = {
            name: Curve.of(rig.calibration[name], f"calibration.{name}")
            for name in CALIBRATED
            if name in rig.calibration
        }
        feedback = rig.calibration.get("pitch_deg") if rig.pitch.feedback else None
        self.feedback = Curve.of(feedback, "calibration.pitch_deg") if feedback else None
        self.pitch = curve_through(rig.pitch.table, "deg") if rig.pitch.table else None

    def values(self, counts: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Engineering values by channel name, ``(n,)`` each, NaN where the rig has no calibration."""
        size = len(counts["rpm"])
        found = {name: curve.value(counts[name]) for name, curve in self.curves.items()}
        found |= {name: np.full(size, np.nan) for name in CALIBRATED if name not in found}
        for name in ("throttle_us", "servo_us", "speed_request_rpm"):
            found[name] = np.asarray(counts[name], dtype=float)
        found["rpm"] = self._rpm(counts["rpm"])
        found["pitch_deg"] = self._pitch_deg(counts["pitch_deg"], found["servo_us"])
        return found

    def _rpm(self, period_ticks: np.ndarray) -> np.ndarray:
        ticks = np.asarray(period_ticks, dtype=float)
        return np.where(ticks > 0, self._ticks_per_minute / np.maximum(ticks, 1.0), 0.0)

    def _pitch_deg(self, feedback_counts: np.ndarray, servo_us: np.ndarray) -> np.ndarray:
        fitted = feedback_counts != NOT_FITTED
        if self.feedback is not None and fitted.all():
            return self.feedback.value(feedback_counts)
        from_table = self.pitch.value(servo_us) if self.pitch else np.full(len(servo_us), np.nan)
        if self.feedback is None:
            return from_table
        return np.where(fitted, self.feedback.value(feedback_counts), from_table)
