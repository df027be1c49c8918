"""What a limit is compared with: one definition for the rules, the margins and the study of limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import reduce
from operator import mul
from typing import TypeVar

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.rig.limits import Limit

Values = TypeVar("Values", float, np.ndarray)


def measured(limit: Limit, rig: Rig, values: Mapping[str, Values]) -> Values | None:
    """Product of the limit's channels in ``values`` times its factor; None when one of them is absent.

    ``values`` holds numbers or arrays ``(n,)`` by channel name; NaN stays NaN.
    """
    factor = 1.0 if limit.watch.factor is None else limit.watch.factor.of(rig)
    return _product(limit.watch.channels, factor, values)


def judged(limit: Limit, rig: Rig, slow: Mapping[str, np.ndarray]) -> np.ndarray | None:
    """``measured`` where the limit applies, else NaN: an isolated pack at rest has no voltage, and is no fault."""
    return Judged(limit, rig).series(slow)


class Judged:
    """What one limit is compared with, batch after batch: what only the rig decides is looked up once."""

    def __init__(self, limit: Limit, rig: Rig) -> None:
        self._channels = limit.watch.channels
        self._factor = 1.0 if limit.watch.factor is None else limit.watch.factor.of(rig)
        self._safe_us = rig.throttle.safe_us if limit.watch.while_driven else None

    def series(self, slow: Mapping[str, np.ndarray]) -> np.ndarray | None:
        """Values ``(n,)``, NaN where the limit does not apply; None when a channel is absent."""
        values = _product(self._channels, self._factor, slow)
        if values is None or self._safe_us is None or "throttle_us" not in slow:
            return values
        return np.where(slow["throttle_us"] <= self._safe_us, np.nan, values)

    def single(self, sample: Mapping[str, float]) -> float | None:
        """The same of one sample."""
        value = _product(self._channels, self._factor, sample)
        if value is None or self._safe_us is None or "throttle_us" not in sample:
            return value
        return math.nan if sample["throttle_us"] <= self._safe_us else value


def _product(channels: Sequence[str], factor: float, values: Mapping[str, Values]) -> Values | None:
    if not channels or any(name not in values for name in channels):
        return None
    product = reduce(mul, (values[name] for name in channels))
    return product if factor == 1.0 else product * factor
