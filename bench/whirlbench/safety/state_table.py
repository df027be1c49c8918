"""The stand's states and what may lead from one to another: a table that covers every state and every event.

The device decides; the host keeps this same table to tell a lawful change from an impossible one, and the simulated
device steps through it. Numbers equal those of the wire (a test holds them together).
"""

from __future__ import annotations

from enum import Enum, IntEnum, auto
from typing import NamedTuple


class Stand(IntEnum):
    """Where the stand is."""

    LOCKED = 0
    ARMED = 1
    TURNING = 2
    TRIPPED = 3


class Happening(Enum):
    """What can happen to the stand. Conditions (at rest, throttle safe, checksum) are checked before it is one."""

    ARM = auto()
    DISARM = auto()
    DRIVE = auto()  # throttle pulse above safe, or a tach edge within the rest time
    REST = auto()  # throttle safe and no tach edge for the rest time
    REST_DISARMED = auto()  # the same, after a disarm while turning
    TRIP = auto()  # any limit: overspeed, vibration, heartbeat, ...
    ABORT = auto()  # operator or host rule
    RESTART = auto()  # watchdog or brown-out reset
    POWER_ON = auto()
    RESET = auto()


class Step(NamedTuple):
    """Where an event leads, and whether the event was permitted; a refused event changes nothing."""

    state: Stand
    permitted: bool


def _row(state: Stand, **moves: Stand) -> dict[tuple[Stand, Happening], Step]:
    """Table row of ``state``: the given moves; every other event is refused and changes nothing."""
    found = {Happening[name.upper()]: target for name, target in moves.items()}
    return {(state, event): Step(found.get(event, state), event in found) for event in Happening}


TABLE: dict[tuple[Stand, Happening], Step] = {
    # Locked: nothing is watched, because nothing can be driven; a propeller turned by hand is no trip.
    **_row(
        Stand.LOCKED,
        arm=Stand.ARMED,
        disarm=Stand.LOCKED,
        drive=Stand.LOCKED,
        rest=Stand.LOCKED,
        rest_disarmed=Stand.LOCKED,
        restart=Stand.TRIPPED,
        power_on=Stand.LOCKED,
    ),
    **_row(
        Stand.ARMED,
        disarm=Stand.LOCKED,
        drive=Stand.TURNING,
        rest=Stand.ARMED,
        rest_disarmed=Stand.LOCKED,
        trip=Stand.TRIPPED,
        abort=Stand.TRIPPED,
        restart=Stand.TRIPPED,
        power_on=Stand.LOCKED,
    ),
    # Disarming a turning rotor takes the throttle to safe at once; locked follows at rest.
    **_row(
        Stand.TURNING,
        disarm=Stand.TURNING,
        drive=Stand.TURNING,
        rest=Stand.ARMED,
        rest_disarmed=Stand.LOCKED,
        trip=Stand.TRIPPED,
        abort=Stand.TRIPPED,
        restart=Stand.TRIPPED,
        power_on=Stand.LOCKED,
    ),
    # Tripped is left by a reset alone; later trips are swallowed, so that the first reason is kept.
    **_row(
        Stand.TRIPPED,
        disarm=Stand.TRIPPED,
        drive=Stand.TRIPPED,
        rest=Stand.TRIPPED,
        rest_disarmed=Stand.TRIPPED,
        trip=Stand.TRIPPED,
        abort=Stand.TRIPPED,
        restart=Stand.TRIPPED,
        power_on=Stand.LOCKED,
        reset=Stand.LOCKED,
    ),
}

# What the host never expects: the device started again by itself.
UNEXPECTED = frozenset({Happening.RESTART, Happening.POWER_ON})


def advance(state: Stand, event: Happening) -> Step:
    """Where ``event`` leads from ``state``.

    >>> advance(Stand.TRIPPED, Happening.ARM)
    Step(state=<Stand.TRIPPED: 3>, permitted=False)
    """
    return TABLE[state, event]


def reachable(state: Stand, without: frozenset[Happening] = UNEXPECTED) -> frozenset[Stand]:
    """Every state that permitted events lead to from ``state``, itself included, none of ``without`` happening.

    Used on states as telemetry shows them, where intermediate ones may have been lost with a frame.
    """
    found, fresh = {state}, [state]
    while fresh:
        before = fresh.pop()
        steps = (TABLE[before, event] for event in Happening if event not in without)
        new = {step.state for step in steps if step.permitted} - found
        found |= new
        fresh.extend(new)
    return frozenset(found)
