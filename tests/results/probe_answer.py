"""An answer with everything that a renderer could lose or let slip, and what must be found of it everywhere."""

from __future__ import annotations

import math

import numpy as np

from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, PlanOffer, Remark, Table, fixed
from whirlbench.results.chart import Chart, Curve

FORBIDDEN_RPM = 4000.0
FORBIDDEN = "17.31"  # what lies between the neighbours of the forbidden speed, which nobody may read there
DANGERS = (
    "at <4000> rpm & above, current is over its limit at every measured pitch: do not hold this speed",
    "a sentence of [bold]danger[/bold] that is longer than any terminal is wide: "
    + "do not stand there, " * 12
    + "ever",
)
CAUTIONS = (
    'flight: the end points hold only with throttle travel up to 82 %; "full" travel has no safe range',
    "An aid to judgement: stay out of the plane of rotation.",
)
NOTE = "8 holds, pitch 2.0 to 18.0 deg; nothing is stated outside that range"
OPEN = NotJudged("vibration", "the recording holds none")

_GREATEST = np.array([17.01, 17.21, math.nan, 17.41, 17.61])
_COLUMNS = (Column("speed", "rpm"), Column("greatest pitch", "deg"), Column("what binds", figures=False))
PROBE = Answer(
    "pitch limits",
    "4000 rpm: do not hold this speed",
    tables=(
        Table(
            "limits", "Greatest pitch at each speed", _COLUMNS,
            (
                ("3500", fixed(_GREATEST[1], 2), "thrust"),
                ("4000", fixed(_GREATEST[2], 2), "current"),
                ("4500", fixed(_GREATEST[3], 2), "thrust"),
            ),
            frozenset({1}),
        ),
        Table("basis", "What the figures hold for", (Column("what"), Column("value")), (("air", "1.2 kg/m³"),)),
    ),
    charts=(
        Chart(
            "Permitted pitch", "shaft speed (rpm)", "blade angle (deg)",
            (Curve(np.linspace(3000.0, 5000.0, 5), _GREATEST, "safe", "measured"),), y_span=(16.0, 18.0), key="limits",
        ),
    ),
    remarks=(
        Remark(Level.NOTE, NOTE),
        *(Remark(Level.CAUTION, text) for text in CAUTIONS),
        *(Remark(Level.DANGER, text) for text in DANGERS),
    ),
    not_judged=(OPEN,),
    document={"limits": [{"rpm": 4000.0, "max_pitch_deg": _GREATEST[2], "forbidden": True}]},
    plan=PlanOffer("measure next", "next-hold.toml", "[[step]]\n", "4500 rpm at 9.0 deg"),
)  # fmt: skip
DANGER_ROW = ("4000", NONE, "current")


def lost(text: str) -> list[str]:
    """The dangers, cautions and open questions of the probe that ``text`` does not hold word for word."""
    said = " ".join(text.split())
    return [wanted for wanted in (*DANGERS, *CAUTIONS, OPEN.text) if " ".join(wanted.split()) not in said]


def slipped(text: str) -> bool:
    """Whether ``text`` holds the forbidden number, or the word for one that is none."""
    return FORBIDDEN in text or "nan" in text.lower().split()
