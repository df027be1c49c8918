"""What a limit is compared with: one definition for the rules, the margins and the study of limits."""

from __future__ import annotations

from collections.abc import Mapping
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
    watch = limit.watch
    if not watch.channels or any(name not in values for name in watch.channels):
        return None
    product = reduce(mul, (values[name] for name in watch.channels))
    return product if watch.factor is None else product * watch.factor.of(rig)


def judged(limit: Limit, rig: Rig, slow: Mapping[str, np.ndarray]) -> np.ndarray | None:
    """``measured`` where the limit applies, else NaN: an isolated pack at rest has no voltage, and is no fault."""
    values = measured(limit, rig, slow)
    if values is None or not limit.watch.while_driven or "throttle_us" not in slow:
        return values
    return np.where(slow["throttle_us"] <= rig.throttle.safe_us, np.nan, values)
