"""Work at a stand whose motor cannot be driven: guided calibration, travel of the servo, trial of the trips.

``limit_tables`` makes the device itself refuse every throttle pulse but the safe one; ``still_stand`` is the pure
machine with its procedures, ``still_loop`` drives it on a port; ``travel`` and ``trial`` are what is done with it.
"""

from whirlbench.session.still.limit_tables import still_table
from whirlbench.session.still.still_loop import StillLoop
from whirlbench.session.still.still_stand import (
    Procedure,
    StandTripped,
    StillStand,
    agree,
    arm,
    identify,
    lock,
    pause,
    put_servo,
    read,
)
from whirlbench.session.still.trial import TripsTrial
from whirlbench.session.still.trips_on_trial import PROVOCATIONS, SECOND_CUT, CannotBeProvoked, Provocation

__all__ = [
    "PROVOCATIONS",
    "SECOND_CUT",
    "CannotBeProvoked",
    "Procedure",
    "Provocation",
    "StandTripped",
    "StillLoop",
    "StillStand",
    "TripsTrial",
    "agree",
    "arm",
    "identify",
    "lock",
    "pause",
    "put_servo",
    "read",
    "still_table",
]
