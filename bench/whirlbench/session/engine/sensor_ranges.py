"""Whether the sensors can show what the rig's limits forbid: a limit beyond their range could never trip."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.calibration.curves import Curve
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig

ADC_ENDS = (0, 1023)  # 10 bits
LOAD_CELL_ENDS = (-(1 << 23), (1 << 23) - 1)  # 24 bits, signed
# 16 g a axis; the most that three axes can have together is a square wave from end to end on each of them.
FULL_SCALE_G = 16.0
MOST_VIBRATION_G_RMS = FULL_SCALE_G * math.sqrt(3.0)
ENDS = {"current_a": ADC_ENDS, "voltage_v": ADC_ENDS, "thrust_n": LOAD_CELL_ENDS}


def check_ranges(rig: Rig) -> None:
    """RigError names the first limit that its sensor, as calibrated, cannot show; uncalibrated ones are passed over."""
    for key, limit, most, unit in _upper(rig):
        if not limit < most:
            raise RigError(
                f"limits.{key} is {limit:g} {unit}, but the sensor shows at most {most:.4g} {unit}: it could never "
                "trip; lower the limit, correct the calibration, or use a sensor with a wider range"
            )
    least_v, floor_v = _ends(rig, "voltage_v"), rig.limits.minimum_voltage_v
    if floor_v is not None and least_v is not None and not least_v[0] < floor_v:
        raise RigError(
            f"limits.minimum_voltage_v is {floor_v:g} V, but the sensor shows at least {least_v[0]:.4g} V: it could "
            "never trip; raise the limit or correct calibration.voltage_v"
        )


def _upper(rig: Rig) -> Iterator[tuple[str, float, float, str]]:
    """Each upper limit that is set on a measured quantity: key, limit, the most that can be shown, unit."""
    limits = rig.limits
    size = {name: _size(rig, name) for name in ENDS}
    shown = (
        ("current_a", limits.current_a, size["current_a"], "A"),
        ("thrust_n", limits.thrust_n, size["thrust_n"], "N"),
        ("power_w", limits.power_w, size["current_a"] * size["voltage_v"], "W"),
        ("vibration_g_rms", limits.vibration_g_rms, MOST_VIBRATION_G_RMS, "g rms"),
    )
    return ((key, limit, most, unit) for key, limit, most, unit in shown if limit is not None and not math.isnan(most))


def _size(rig: Rig, channel: str) -> float:
    """Largest size of a reading, whichever its sign; NaN without a calibration."""
    ends = _ends(rig, channel)
    return math.nan if ends is None else max(abs(end) for end in ends)


def _ends(rig: Rig, channel: str) -> tuple[float, float] | None:
    """Least and greatest reading over the range of counts, corners of a table included."""
    calibration = rig.calibration.get(channel)
    if calibration is None:
        return None
    curve, (low, high) = Curve.of(calibration, f"calibration.{channel}"), ENDS[channel]
    corners = curve.counts[(curve.counts > low) & (curve.counts < high)]
    values = curve.value(np.array([low, *corners, high]))
    return float(values.min()), float(values.max())
