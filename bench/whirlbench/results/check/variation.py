"""A what-if study put into words: permitted speed against one dimension or material, as table and chart."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.strength import StrengthCheck, WhatIf
from whirlbench.results.answer import Column, Table, fixed
from whirlbench.results.chart import Box, Caption, Chart, Curve, MarkLine
from whirlbench.results.check.charts import bar_places, trip_line
from whirlbench.rig.description import Rig

ACT_ON = "The permitted speed to act on; the rest of the set stays as the rig has it."


def what_if_tables(varied: WhatIf | None) -> Iterator[Table]:
    """The points as rows; values that a rule refuses are marked and say why."""
    if varied is None:
        return
    heads = (
        Column(varied.key, varied.unit),
        Column("permitted", "rpm"),
        Column("as drawn", "rpm"),
        Column("governed by, or why refused", figures=False),
    )
    rows = tuple(
        (_shown(point.value), fixed(point.rpm, 0), fixed(point.nominal_rpm, 0), point.refused or point.governed_by)
        for point in varied.points
    )
    refused = frozenset(number for number, point in enumerate(varied.points) if point.refused)
    now = "" if varied.present is None else f"; the rig has {_shown(varied.present)} {varied.unit}".rstrip()
    yield Table("what if", f"What if: {varied.key} of {varied.set_name}{now}", heads, rows, refused)


def what_if_charts(check: StrengthCheck, rig: Rig, varied: WhatIf | None) -> Iterator[Chart]:
    """Permitted speed against the varied key: curves for numbers, bars for names."""
    if varied is None:
        return
    if all(isinstance(point.value, float) for point in varied.points):
        yield _curves(check, rig, varied)
    else:
        yield _bars(check, rig, varied)


def _curves(check: StrengthCheck, rig: Rig, varied: WhatIf) -> Chart:
    values = np.array([float(point.value) for point in varied.points])
    acted = np.array([math.nan if point.rpm is None else point.rpm for point in varied.points])
    drawn = np.array([math.nan if point.nominal_rpm is None else point.nominal_rpm for point in varied.points])
    label = f"{varied.key} ({varied.unit})" if varied.unit else varied.key
    lines = [MarkLine(check.speed_rpm, f"judged {check.speed_rpm:.0f}", upright=False)]
    lines += [MarkLine(line.at, line.label, line.ink, upright=False) for line in trip_line(rig)]
    if isinstance(varied.present, float):
        lines.append(MarkLine(varied.present, f"the rig has {varied.present:g}", "cursor"))
    low = np.nanmin([*acted, check.speed_rpm])
    refused = [
        Caption(float(values[n]), float(low), "refused", "over") for n in range(len(values)) if math.isnan(acted[n])
    ]
    return Chart(
        _title(varied), label, "permitted speed (rpm)",
        (Curve(values, acted, "to act on", "measured"), Curve(values, drawn, "as drawn", "model", dashed=True)),
        lines=tuple(lines), captions=tuple(refused[:1]), key="what if", caption=ACT_ON,
        x_span=(float(values.min()), float(values.max())),
    )  # fmt: skip


def _bars(check: StrengthCheck, rig: Rig, varied: WhatIf) -> Chart:
    bars = []
    for point, across in zip(varied.points, bar_places(len(varied.points)), strict=True):
        ink = "calm" if point.rpm is not None and point.rpm >= check.speed_rpm else "over"
        told = "refused" if point.rpm is None else f"{point.rpm:.0f} rpm, {point.governed_by}"
        bars.append(Box((0.0, point.rpm or 0.0), across, f"{_shown(point.value)}: {told}", ink, filled=True))
    marks = (MarkLine(check.speed_rpm, f"judged at {check.speed_rpm:.0f}", dashed=False), *trip_line(rig))
    widest = max([bar.x[1] for bar in bars] + [mark.at for mark in marks])
    return Chart(
        _title(varied), "permitted speed (rpm)", "", boxes=tuple(bars), lines=marks, x_span=(0.0, 1.05 * widest),
        y_span=(0.0, float(len(bars))), y_figures=False, key="what if", caption=ACT_ON,
    )  # fmt: skip


def _title(varied: WhatIf) -> str:
    return f"What if: permitted speed of {varied.set_name} against {varied.key}"


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.6g}"
