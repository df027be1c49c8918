"""The stand's states and what may lead from one to another: a table that covers every state and every event.

The device decides; the host keeps this same table to tell a lawful change from an impossible one, and the simulated
device and the sketch step through it. States are numbered as on the wire, events as in the sketch (tests hold them
together).
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple


class Stand(IntEnum):
    """Where the stand is."""

    LOCKED = 0
    ARMED = 1
    TURNING = 2
    TRIPPED = 3


class Happening(IntEnum):
    """What can happen to the stand. Conditions (at rest, throttle safe, checksum) are checked before it is one."""

    ARM = 0
    DISARM = 1
    DRIVE = 2  # throttle pulse above safe, or a tach edge within the rest time
    REST = 3  # throttle safe and no tach edge for the rest time
    REST_DISARMED = 4  # the same, after a disarm while turning
    TRIP = 5  # any limit: overspeed, vibration, heartbeat, ...
    ABORT = 6  # operator or host rule
    RESTART = 7  # watchdog or brown-out reset
    POWER_ON = 8
    RESET = 9


class Step(NamedTuple):
    """Where an event leads, and whether the event was permitted; a refused event changes nothing."""

    state: Stand
    permitted: bool


LOCKED, ARMED, TURNING, TRIPPED = Stand
REFUSED = None

# Where an event leads, by the state it finds; REFUSED changes nothing. The sketch's copy is state_table.h.
# Locked: nothing is watched, because nothing can be driven; a propeller turned by hand is no trip. An abort is kept all
# the same, so that an Arm which follows it is refused. Disarming a turning
# rotor takes the throttle to safe at once; locked follows at rest. Tripped is left by a reset alone; later trips are
# swallowed, so that the first reason is kept.
# fmt: off
GRID: dict[Happening, tuple[Stand | None, Stand | None, Stand | None, Stand | None]] = {
    #                        LOCKED   ARMED    TURNING  TRIPPED
    Happening.ARM:           (ARMED,   REFUSED, REFUSED, REFUSED),
    Happening.DISARM:        (LOCKED,  LOCKED,  TURNING, TRIPPED),
    Happening.DRIVE:         (LOCKED,  TURNING, TURNING, TRIPPED),
    Happening.REST:          (LOCKED,  ARMED,   ARMED,   TRIPPED),
    Happening.REST_DISARMED: (LOCKED,  LOCKED,  LOCKED,  TRIPPED),
    Happening.TRIP:          (REFUSED, TRIPPED, TRIPPED, TRIPPED),
    Happening.ABORT:         (TRIPPED, TRIPPED, TRIPPED, TRIPPED),
    Happening.RESTART:       (TRIPPED, TRIPPED, TRIPPED, TRIPPED),
    Happening.POWER_ON:      (LOCKED,  LOCKED,  LOCKED,  LOCKED),
    Happening.RESET:         (REFUSED, REFUSED, REFUSED, LOCKED),
}
# fmt: on

# What the host never expects: the device started again by itself.
UNEXPECTED = frozenset({Happening.RESTART, Happening.POWER_ON})


def advance(state: Stand, event: Happening) -> Step:
    """Where ``event`` leads from ``state``.

    >>> advance(Stand.TRIPPED, Happening.ARM)
    Step(state=<Stand.TRIPPED: 3>, permitted=False)
    """
    target = GRID[event][state]
    return Step(state if target is None else target, target is not None)


def reachable(state: Stand, without: frozenset[Happening] = UNEXPECTED) -> frozenset[Stand]:
    """Every state that permitted events lead to from ``state``, itself included, none of ``without`` happening.

    Used on states as telemetry shows them, where intermediate ones may have been lost with a frame.
    """
    found, fresh = {state}, [state]
    while fresh:
        before = fresh.pop()
        steps = (advance(before, event) for event in Happening if event not in without)
        new = {step.state for step in steps if step.permitted} - found
        found |= new
        fresh.extend(new)
    return frozenset(found)
