"""Every single fault of the device's page, acted on the compiled sketch, with what must come of it.

A fault is a function that brings a fresh stand into the fault and runs on until it is decided; ``FAULTS`` declares
with each what the device has to be left in. The tests compare, and ``bench/docs/fault_table.md`` is made of the same
declarations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from device_stand import DeviceStand, device_stand
from mcu import Pulse

from whirlbench.link.framing import frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    Abort,
    Arm,
    DeviceEvent,
    Disarm,
    EventKind,
    Heartbeat,
    Hello,
    Identify,
    Pitch,
    Reason,
    Request,
    Reset,
    Restart,
    SetLimit,
    State,
    Throttle,
)

SAFE_US = 1000
MEGA, SMALL = "atmega2560", "atmega328p"
BOTH = (MEGA, SMALL)


@dataclass(frozen=True)
class Left:
    """What a fault leaves: state, reason, pulse on the wire (0: none), second cut ("open" or "closed"), further facts."""

    state: State
    reason: Reason = Reason.NONE
    pulse_us: int = SAFE_US
    second_cut: str = "open"
    facts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Seen:
    """What was left, and how long the trip took after the fault, in milliseconds (NaN where nothing was to trip)."""

    left: Left
    took_ms: float = float("nan")


@dataclass(frozen=True)
class DeviceFault:
    """``act`` on a board returns what was seen; ``left`` is what must be; ``within_ms``: longest time to the trip."""

    name: str
    act: Callable[[str], Seen]
    left: Left
    within_ms: float | None = None
    boards: tuple[str, ...] = (MEGA,)


def seen(stand: DeviceStand, took_s: float = float("nan"), facts: tuple[str, ...] = ()) -> Seen:
    """What the stand is left in now."""
    return Seen(Left(stand.state, stand.reason, latest_pulse_us(stand), stand.second_cut, facts), took_s * 1e3)


def latest_pulse_us(stand: DeviceStand) -> int:
    """Width of the latest pulse, in whole microseconds; 0 when none came in the last 50 ms."""
    recent = [pulse for pulse in stand.pulses if pulse.rise_s > stand.stand.now_s - 0.05]
    return round(recent[-1].width_us) if recent else 0


def trips_from(stand: DeviceStand, within_s: float = 1.0, after_s: float = 0.1) -> Seen:
    """The fault is there: time until the device tells of a trip, and what is left a little later."""
    took_s = stand.until(State.TRIPPED, within_s)
    stand.run(after_s)
    return seen(stand, took_s)


def broken(**what: object) -> Callable[[str], Seen]:
    """A fault of the rotor, its controller or a sensor that comes while the stand turns steadily."""

    def act(board: str) -> Seen:
        with device_stand(board) as stand:
            stand.turn()
            for name, value in what.items():
                assert hasattr(stand.rotor.broken, name)
                setattr(stand.rotor.broken, name, value)
            return trips_from(stand)

    return act
