"""Numbers and spans on the command line: what is no number, or beyond all sense, is refused with the option's name."""

from __future__ import annotations

import math
from typing import Any

import click

MOST = 1e9  # no option's quantity comes near it; beyond, powers overflow


class Number(click.FloatRange):
    """A finite number from ``least`` to ``most``; ``above`` leaves ``least`` itself out."""

    name = "number"

    def __init__(self, least: float = -MOST, most: float = MOST, above: bool = False) -> None:
        super().__init__(min=least, max=most, min_open=above)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """``value`` as a number; BadParameter for NaN, which any comparison would let through."""
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            self.fail(f"{value!r} is not a number to reckon with", param, ctx)
        return number


class Span(click.types.StringParamType):
    """Two times in seconds, joined by a comma, the second after the first."""

    name = "FROM,TO"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``value`` as (from, to); BadParameter for anything else."""
        if isinstance(value, tuple):
            return value
        try:
            from_s, to_s = (float(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is no FROM,TO: give two times in seconds, as in 5,30", param, ctx)
        if not (math.isfinite(from_s) and math.isfinite(to_s) and from_s < to_s):
            self.fail(f"{value!r} does not go from an earlier to a later time", param, ctx)
        return from_s, to_s
