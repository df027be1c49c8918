"""The usual cautions, as every page prints them."""

from __future__ import annotations

STAND = (
    "Nobody in the plane of rotation; the isolating switch in reach; the guard closed.",
    "Guard, stand and site follow local codes. Figures are an aid to judgement, not a licence: certified work belongs "
    "to licensed practice.",
)
REHEARSAL = ("This was a simulated stand. Nothing here says anything of your own blades.", *STAND)
FIELD = (
    "Set the end points with the motor unplugged, and look at the blades while the lever moves.",
    "The figures hold for this propeller, this pack and the air they were measured in.",
    "Try each mode tied down.",
    *STAND,
)
