"""Margins: the share of each limit in use, the one number an operator reads while the propeller turns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TRENDS, WITH_MARGIN, Limit
from whirlbench.safety.quantities import measured

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

    def text(self) -> str:
        """Reading and limit, as printed beside a margin."""
        reading = "no reading" if math.isnan(self.value) else f"{self.value:.4g}"
        return f"{reading} / {self.limit:.4g} {self.unit}"


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
            found.append(_margin(row, math.nan if value is None else value, limit))
    found += [_margin(row, values[row.key], row.value(rig.limits) or math.nan) for row in TRENDS if row.key in values]
    lag_s = values.get("recorder_lag_s")
    if lag_s is not None:
        found.append(Margin("recorder behind", "s", lag_s, RECORDER_LAG_S, lag_s / RECORDER_LAG_S))
    return tuple(found)


def _margin(row: Limit, value: float, limit: float) -> Margin:
    if row.watch.side == Side.LOWER:
        return Margin(row.watch.label, row.unit, value, limit, limit / value if value else math.nan)
    return Margin(row.watch.label, row.unit, value, limit, abs(value) / limit)
