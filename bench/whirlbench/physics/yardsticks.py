"""Load factors of full-size rules, borrowed as yardsticks.

None of these rules applies in law to a model propeller, and none was written for printed polymer. They show what
others found worth proving; they approve nothing here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

LABEL = "borrowed from full-size rules as a yardstick; applies to no model and to no printed part in law"


@dataclass(frozen=True)
class LoadYardstick:
    """A proof load as a multiple of the centrifugal load at the rated speed."""

    name: str
    load_factor: float
    held_s: float
    source: str

    @property
    def speed_factor(self) -> float:
        """Multiple of the rated speed with that load: the square root, since load grows with speed squared."""
        return math.sqrt(self.load_factor)

    def speed_rpm(self, rated_rpm: float) -> float:
        """Speed in rpm at which this load would be reached."""
        return self.speed_factor * rated_rpm


YARDSTICKS = (
    LoadYardstick(
        "hub, blade retention and counterweights", 2.0, 3600.0,
        "14 CFR 35.35(a), Amdt 35-8, 73 FR 63348 (24 Oct 2008)",
    ),
    LoadYardstick(
        "transition from blade to retention, such as a bonded root", 2.0, 3600.0,
        "14 CFR 35.35(b), Amdt 35-8, 73 FR 63348 (24 Oct 2008)",
    ),
    LoadYardstick(
        "attached parts: spinner, erosion shield", 1.59, 1800.0,
        "14 CFR 35.35(c), Amdt 35-8, 73 FR 63348 (24 Oct 2008)",
    ),
    LoadYardstick(
        "engine rotor overspeed at 120 % speed", 1.44, 300.0,
        "14 CFR 33.27, Amdt 33-31, 76 FR 42020 (18 Jul 2011); before 2011 the percentages meant something else",
    ),
)  # fmt: skip
TRANSIENT_OVERSPEED_RUNS, TRANSIENT_OVERSPEED_S = 20, 30.0  # 14 CFR 35.41, 73 FR 63349
GOVERNING_CYCLES = 1500  # 14 CFR 35.40
VARIABLE_PITCH_ENDURANCE_H = 110.0  # 14 CFR 35.39
