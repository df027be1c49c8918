"""Whether the sensors can show what the rig's limits forbid: a limit that they cannot show could never trip."""

from __future__ import annotations

import math

import numpy as np

from whirlbench.calibration.curves import Curve
from whirlbench.errors import RigError
from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TRENDS, WITH_RULE, Limit

ADC_ENDS = (0, 1023)  # 10 bits
LOAD_CELL_ENDS = (-(1 << 23), (1 << 23) - 1)  # 24 bits, signed
# 16 g a axis; the most that three axes can have together is a square wave from end to end on each of them.
FULL_SCALE_G = 16.0
MOST_VIBRATION_G_RMS = FULL_SCALE_G * math.sqrt(3.0)
ENDS = {"current_a": ADC_ENDS, "voltage_v": ADC_ENDS, "thrust_n": LOAD_CELL_ENDS}


def check_watched(rig: Rig) -> None:
    """RigError when a limit, or a trend that is a trip, watches a channel without calibration: it could never trip."""
    tripping = (trend for trend in TRENDS if trend.key in rig.limits.trend_trips)
    for limit in (*WITH_RULE, *tripping):
        missing = [name for name in limit.watch.channels if name in ENDS and name not in rig.calibration]
        if limit.value(rig.limits) is not None and missing:
            raise RigError(
                f"limits.{limit.key} is set, but calibration.{missing[0]} is missing: "
                "give it, or remove the limit knowing that nothing watches it"
            )


def check_ranges(rig: Rig) -> None:
    """RigError names the first limit that its sensor, as calibrated, cannot show; uncalibrated ones are passed over."""
    for limit in WITH_RULE:
        value = limit.value(rig.limits)
        if value is None:
            continue
        if limit.watch.side == Side.LOWER:
            _check_lower(rig, limit, value)
        else:
            _check_upper(rig, limit, value)


def _check_upper(rig: Rig, limit: Limit, value: float) -> None:
    most = math.prod(_size(rig, name) for name in limit.watch.channels) if limit.watch.channels else math.nan
    if value >= most:
        raise RigError(
            f"limits.{limit.key} is {value:g} {limit.unit}, but the sensor shows at most {most:.4g} {limit.unit}: it "
            "could never trip; lower the limit, correct the calibration, or use a sensor with a wider range"
        )


def _check_lower(rig: Rig, limit: Limit, value: float) -> None:
    """A lower limit watches one channel."""
    (channel,) = limit.watch.channels
    ends = _ends(rig, channel)
    if ends is not None and not ends[0] < value:
        raise RigError(
            f"limits.{limit.key} is {value:g} {limit.unit}, but the sensor shows at least {ends[0]:.4g} {limit.unit}: "
            f"it could never trip; raise the limit or correct calibration.{channel}"
        )


def _size(rig: Rig, channel: str) -> float:
    """Largest size of a reading, whichever its sign; NaN without a calibration, and for speed, which has no end."""
    if channel == "vibration_g_rms":
        return MOST_VIBRATION_G_RMS
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
