"""Margins: the share of each limit in use, the one number an operator reads while the propeller turns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TRENDS, WITH_MARGIN, Limit
from whirlbench.safety.quantities import judged, measured
from whirlbench.safety.reading_errors import mark, product_stderr, with_stderr

RECORDER_LAG_S = 1.0  # the recording may be so much behind: what a fault costs of the evidence, at most


@dataclass(frozen=True)
class Margin:
    """A limit under its name for people, what is measured against it, and the share in use.

    The share is 1 at the limit, and NaN without a reading.
    """

    label: str
    unit: str
    value: float
    limit: float
    share: float
    stderr: float = math.nan  # standard error of the reading; NaN: not known
    mark: str = ""  # PROLONGED where a sensor reads beyond what was calibrated
    key: str = ""  # of the limit in the rig ("overspeed_rpm"); empty for what is none

    def text(self) -> str:
        """Reading with its standard error, limit and mark, as printed beside a margin."""
        reading = "no reading" if math.isnan(self.value) else with_stderr(f"{self.value:.4g}", self.stderr)
        return " ".join(filter(None, (f"{reading} / {self.limit:.4g}", self.unit, self.mark)))


def margins(rig: Rig, values: Mapping[str, float]) -> tuple[Margin, ...]:
    """Margins to the limits that ``rig`` sets, in a fixed order; limits that are not set are left out.

    ``values`` holds the latest of any of ``rpm current_a voltage_v thrust_n vibration_g_rms``. The share of an upper
    limit is value / limit; that of a lower one is limit / value. Findings of trends, and ``recorder_lag_s`` of a live
    session, add theirs where they are among the values.
    """
    found = []
    for row in WITH_MARGIN:
        limit, value = row.value(rig.limits), measured(row, rig, values)
        if limit is not None:
            found.append(_margin(row, math.nan if value is None else value, limit, rig, values))
    trends = [row for row in TRENDS if row.key in values]
    found += [_margin(row, values[row.key], row.value(rig.limits) or math.nan, rig, values) for row in trends]
    lag_s = values.get("recorder_lag_s")
    if lag_s is not None:
        found.append(Margin("recorder behind", "s", lag_s, RECORDER_LAG_S, lag_s / RECORDER_LAG_S))
    return tuple(found)


def greatest_shares(rig: Rig, values: Mapping[str, np.ndarray]) -> dict[str, float]:
    """The greatest share of each limit over samples ``(n,)`` of slow channels, by the limit's key.

    A limit that applies only while the motor is driven counts only there. What is not among ``values``, or nowhere a
    number, gives no entry.
    """
    found: dict[str, float] = {}
    for row in WITH_MARGIN:
        limit, measured_values = row.value(rig.limits), judged(row, rig, values)
        if limit is None or measured_values is None:
            continue
        known = measured_values[np.isfinite(measured_values)]
        if row.watch.side == Side.LOWER:
            known = known[known > 0]
        if len(known):
            worst = known.min() if row.watch.side == Side.LOWER else np.abs(known).max()
            found[row.key] = _share(row, float(worst), limit)
    return found


def _margin(row: Limit, value: float, limit: float, rig: Rig, values: Mapping[str, float]) -> Margin:
    share = _share(row, value, limit)
    readings = {name: values.get(name, math.nan) for name in row.watch.channels}
    stderr = product_stderr(rig, readings, value)
    return Margin(row.watch.label, row.unit, value, limit, share, stderr, mark(rig, readings), row.key)


def _share(row: Limit, value: float, limit: float) -> float:
    if row.watch.side == Side.LOWER:
        return limit / value if value else math.nan
    return abs(value) / limit
