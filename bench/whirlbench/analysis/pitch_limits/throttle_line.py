"""Throttle against calculated duty: corrects the drive's nominal constants by what the holds really needed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.propeller import Hold
from whirlbench.analysis.shaft_power import motor_current_from_power_a
from whirlbench.physics.drive import Drive
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm

LEAST_HOLDS = 4
NOMINAL_SCATTER_PCT = 3.0  # of throttle, where nothing was measured to correct the constants: ours, no source


@dataclass(frozen=True)
class ThrottleLine:
    """``throttle_pct = offset_pct + gain * duty_pct``; ``scatter_pct`` is the standard deviation about it.

    ``middle_pct`` and ``spread_pct`` are mean and root sum of squares of the throttles it was fitted to.
    """

    offset_pct: float = 0.0
    gain: float = 1.0
    scatter_pct: float = NOMINAL_SCATTER_PCT
    count: int = 0
    middle_pct: float = 0.0
    spread_pct: float = math.inf

    def stderr_pct(self, throttle_pct: float) -> float:
        """Standard error of a single prediction near ``throttle_pct``: it grows away from what was fitted."""
        share = 1.0 / self.count if self.count else 0.0
        return self.scatter_pct * math.sqrt(1.0 + share + ((throttle_pct - self.middle_pct) / self.spread_pct) ** 2)

    def throttle_pct(self, duty: np.ndarray) -> np.ndarray:
        """Throttle in percent of the taught travel for a calculated duty from 0 to 1."""
        return self.offset_pct + self.gain * 100.0 * duty


def fit_throttle(holds: Sequence[Hold], rig: Rig, drive: Drive) -> ThrottleLine:
    """Line through the holds' throttle and the duty that the drive's constants give for their power and voltage.

    Where the speed controller governs, its pulse is a request and says nothing of duty; then, and with fewer than four
    usable holds, the nominal constants stand with a wide scatter.
    """
    duty, throttle_pct = _duty_pct(holds, drive), _throttle_pct(holds, rig)
    good = np.isfinite(duty) & np.isfinite(throttle_pct) & (throttle_pct > 0) & (throttle_pct < 99.0)
    if rig.speed_controller.governs or good.sum() < LEAST_HOLDS or np.ptp(duty[good]) < 5.0:
        return ThrottleLine()
    gain, offset = np.polyfit(duty[good], throttle_pct[good], 1)
    rest = throttle_pct[good] - offset - gain * duty[good]
    scatter = math.sqrt(float(rest @ rest) / (good.sum() - 2))
    known = throttle_pct[good]
    spread = math.sqrt(float(np.sum((known - known.mean()) ** 2)))
    return ThrottleLine(float(offset), float(gain), scatter, int(good.sum()), float(known.mean()), spread)


def _throttle_pct(holds: Sequence[Hold], rig: Rig) -> np.ndarray:
    pulses = np.array([hold.throttle_us.mean for hold in holds])
    return 100.0 * (pulses - rig.throttle.min_us) / (rig.throttle.max_us - rig.throttle.min_us)


def _duty_pct(holds: Sequence[Hold], drive: Drive) -> np.ndarray:
    """Motor voltage over pack voltage in percent, from each hold's own power, speed and voltage."""
    rpm = np.array([hold.rpm.mean for hold in holds])
    power = np.array([hold.power_w.mean for hold in holds])
    current = motor_current_from_power_a(drive, power, rpm)
    motor_v = drive.volt_s_per_rad * rad_s_from_rpm(rpm) + current * drive.motor_ohm
    result: np.ndarray = 100.0 * motor_v / np.array([hold.voltage_v.mean for hold in holds])
    return result
