"""The servo's travel in words: the stops, the end points proposed, and whether they held under the governor."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np

from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed
from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.rig.description import Rig

SUBJECT = "travel of the servo"
COLUMNS = (
    Column("end", figures=False),
    Column("stop", "µs"),
    Column("told by", figures=False),
    Column("proposed end point", "µs"),
)


class End(Protocol):
    """One end, as the session found it."""

    @property
    def stop_us(self) -> float | None:
        """Where the servo stopped; None: not within the range asked."""

    @property
    def told_by(self) -> str:
        """What told it."""

    @property
    def proposed_us(self) -> int:
        """End point inside of it."""


class Found(Protocol):
    """What the session found; ``session`` stands above this package."""

    @property
    def least(self) -> End:
        """The end of the shortest pulse."""

    @property
    def greatest(self) -> End:
        """The end of the longest pulse."""

    @property
    def course(self) -> tuple[tuple[float, float, float], ...]:
        """Rows of pulse in us, feedback in counts, supply in mV."""

    @property
    def held(self) -> bool | None:
        """Whether the ends held under the governor; None: not tried."""

    @property
    def remark(self) -> str:
        """Why not tried, or what went wrong."""


def travel_answer(travel: Found, rig: Rig) -> Answer:
    """The ends of the servo's travel."""
    ends = (("least", travel.least), ("greatest", travel.greatest))
    rows = tuple(
        (name, NONE if end.stop_us is None else fixed(end.stop_us, 0), end.told_by or NONE, str(end.proposed_us))
        for name, end in ends
    )
    held = {
        True: "held under the governor",
        False: "DID NOT HOLD under the governor",
        None: "not tried under the governor",
    }
    low, high = travel.least.proposed_us, travel.greatest.proposed_us
    return Answer(
        SUBJECT,
        f"servo end points {low} to {high} µs, {held[travel.held]}",
        tables=(Table("ends", "Mechanical ends, and end points inside them", COLUMNS, rows),),
        charts=(_chart(travel),),
        remarks=tuple(_remarks(travel, rig)),
        not_judged=tuple(_open(travel)),
        document={"least": travel.least, "greatest": travel.greatest, "held": travel.held, "remark": travel.remark},
        judged=travel.held is not False,
    )


def travel_values(travel: Found) -> dict[str, Any]:
    """Keys of `[pitch]` that the ends give."""
    return {"pitch.min_us": float(travel.least.proposed_us), "pitch.max_us": float(travel.greatest.proposed_us)}


def _chart(travel: Found) -> Chart:
    pulses, counts, _ = np.array(sorted(travel.course)).T
    lines = tuple(MarkLine(float(end.proposed_us), upright=True) for end in (travel.least, travel.greatest))
    caption = "where the feedback goes flat the servo stands at its stop; the lines are the end points proposed"
    curves = (Curve(pulses, counts, "feedback", "ink", dots=True),)
    return Chart(
        "Feedback of the servo",
        "servo pulse, µs",
        "feedback, counts",
        curves,
        lines=lines,
        key="travel",
        caption=caption,
    )


def _remarks(travel: Found, rig: Rig) -> Iterator[Remark]:
    low, high = travel.least.proposed_us, travel.greatest.proposed_us
    if travel.held is False:
        yield Remark(Level.DANGER, f"{travel.remark}: the end points are not to be used")
    table, safe_us = rig.pitch.table, rig.pitch.safe_us
    if table is not None and (table[0][0] < low or table[-1][0] > high):
        yield Remark(
            Level.CAUTION,
            f"pitch.table goes from {table[0][0]:g} to {table[-1][0]:g} µs, beyond these ends: calibrate it again",
        )
    if safe_us is not None and not low <= safe_us <= high:
        yield Remark(
            Level.CAUTION, f"pitch.safe_us {safe_us:g} lies outside these ends: arming is refused until it does not"
        )
    for name, end in (("least", travel.least), ("greatest", travel.greatest)):
        if end.stop_us is None:
            yield Remark(
                Level.NOTE, f"no stop was met towards the {name} pulse: the end point is that of the range asked"
            )


def _open(travel: Found) -> Iterator[NotJudged]:
    if travel.held is None:
        yield NotJudged("the end points under the governor", travel.remark or "not tried")
    if travel.held is False:
        yield NotJudged("the end points", travel.remark)
