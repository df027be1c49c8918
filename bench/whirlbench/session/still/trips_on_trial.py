"""How each trip is provoked while the motor cannot be driven: one row a trip.

A limit is lowered until what is there breaks it, a plug is pulled, a card is moved before the tach, the heartbeat is
withheld. Which rows a rig has follows from its limits: what it does not watch is told, not passed over.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from whirlbench.calibration.steady_reading import SteadyReading
from whirlbench.link.limit_table import ADC_FULL, LimitId
from whirlbench.link.messages import Reason
from whirlbench.rig.declaration import value_at
from whirlbench.rig.description import Rig
from whirlbench.rig.device_slots import slot_values
from whirlbench.session.still.limit_tables import hand_ticks

CARD_RPM = 30.0  # a card passed before the tach every second is twice as fast
CARD_REST_MS = 1_500  # a card is slow: between two passes the rotor is not to count as at rest
NOISE_FACTOR = 4.0  # a blow is to be told from the noise of a stand at rest
BELOW_COUNTS = 3  # so far below what is there an upper limit is put, and so far above a lower one
HOST_LIMIT = 1e-6  # of any unit: whatever is there breaks it
AT_ONCE_S, BY_HAND_S = 8.0, 60.0
AXES = ("ax_g", "ay_g", "az_g")
Readings = Mapping[str, SteadyReading]
Slots = dict[str, int]


class CannotBeProvoked(Exception):
    """Why a trip cannot be provoked at present."""


@dataclass(frozen=True)
class Provocation:
    """One trip on trial.

    ``reasons`` are what the device may name, any of which proves it. ``how`` is told with the result, ``ask`` is what
    the operator has to do once the stand is armed (empty: nothing). ``hand`` names that for a simulated stand.
    ``slots`` gives the limits of the trial from the rig and present readings of ``reads``. ``needs`` is the rig key
    without which nobody watches. ``start`` is from when its latency counts: the arming, the command, or unknown.
    """

    trip: str
    reasons: tuple[Reason, ...]
    how: str
    slots: Callable[[Rig, Readings], Slots]
    ask: str = ""
    hand: str = ""
    needs: str = ""
    start: str = "armed"
    wait_s: float = AT_ONCE_S
    reads: tuple[str, ...] = ()


def _own(*names: str) -> Callable[[Rig, Readings], Slots]:
    """Slots as the rig itself fills them."""

    def slots(rig: Rig, _: Readings) -> Slots:
        found = slot_values(rig)
        return {name: found[name].counts for name in names}

    return slots


def _overspeed(rig: Rig, _: Readings) -> Slots:
    rest_ms = max(rig.tach.rest_ms, CARD_REST_MS)
    return {"OVERSPEED_TICKS": hand_ticks(CARD_RPM), "REST_MS": rest_ms, **_own("OVERSPEED_CONFIRM")(rig, _)}


def _lost_tach(rig: Rig, _: Readings) -> Slots:
    """The safe pulse counts as driving, so that nothing has to turn."""
    own = _own("LOST_TACH_MS", "START_TACH_MS")(rig, _)
    return {**own, "DRIVEN_US": max(LimitId.DRIVEN_US.lowest, round(rig.throttle.safe_us))}


def _vibration(rig: Rig, readings: Readings) -> Slots:
    noise = sum(readings[axis].scatter ** 2 for axis in AXES) ** 0.5
    own = _own("VIBRATION_COUNTS", "VIBRATION_WINDOW")(rig, readings)
    lowered = max(1, round(NOISE_FACTOR * noise))
    return {**own, "VIBRATION_COUNTS": min(own["VIBRATION_COUNTS"], lowered)}


def _current(rig: Rig, readings: Readings) -> Slots:
    limit = round(readings["current_a"].mean) - BELOW_COUNTS
    if limit < 1:
        raise CannotBeProvoked("without current the sensor rests at its lower rail: no limit lies below that")
    return {"CURRENT_COUNTS": limit, **_own("SLOW_CONFIRM_MS")(rig, readings)}


def _pack(rig: Rig, readings: Readings) -> Slots:
    limit = round(readings["voltage_v"].mean) + BELOW_COUNTS
    if limit >= ADC_FULL:
        raise CannotBeProvoked("the pack's sensor reads its upper rail: no limit lies above that")
    driven = {"DRIVEN_US": max(LimitId.DRIVEN_US.lowest, round(rig.throttle.safe_us))}
    return {"VOLTAGE_COUNTS": limit, **driven, **_own("SLOW_CONFIRM_MS")(rig, readings)}


def _cut_failed(rig: Rig, readings: Readings) -> Slots:
    """As if the current went on after the cut: its zero is put where the sensor does not stand."""
    present = round(readings["current_a"].mean)
    zero = present + ADC_FULL // 4 if present < ADC_FULL // 2 else present - ADC_FULL // 4
    return {"CURRENT_ZERO_COUNTS": zero, "CUT_CURRENT_COUNTS": 1, **_own("CUT_PROOF_MS")(rig, readings)}


def _nothing(rig: Rig, _: Readings) -> Slots:
    return {}


HEARTBEAT, ABORT, HOST, CUT = "heartbeat lost", "operator abort", "host rule", "cut failed"
SECOND_CUT = "second cut"
PLUG = "pull the plug of {}, and leave it out until told"
PROVOCATIONS: tuple[Provocation, ...] = (
    Provocation(ABORT, (Reason.OPERATOR_ABORT,), "an abort was sent", _nothing, start="command"),
    Provocation(HEARTBEAT, (Reason.HEARTBEAT_LOST,), "the heartbeat was withheld", _own("HEARTBEAT_MS"), start="beat"),
    Provocation(
        HOST, (Reason.HOST_RULE,), "the host's limit of thrust was lowered to nothing", _nothing,
        needs="limits.thrust_n",
    ),
    Provocation(
        "overspeed", (Reason.OVERSPEED,), f"limit lowered to {CARD_RPM:.0f} rpm, a card moved before the tach",
        _overspeed, ask="move a card to and fro before the tach, about twice a second", hand="card",
        needs="limits.overspeed_rpm", start="edge", wait_s=BY_HAND_S,
    ),
    Provocation(
        "lost tach", (Reason.LOST_TACH,), "the safe pulse was declared a driving one, no edge came", _lost_tach,
        needs="limits.lost_tach_ms",
    ),
    Provocation(
        "vibration", (Reason.VIBRATION,), "limit lowered to four times the noise at rest, the stand struck", _vibration,
        ask="strike the stand beside the accelerometer with a knuckle, again and again", hand="tap",
        needs="limits.vibration_g_rms", start="", wait_s=BY_HAND_S, reads=AXES,
    ),
    Provocation(
        "accelerometer", (Reason.ACCELEROMETER, Reason.VIBRATION), "the accelerometer was unplugged",
        _own("FROZEN_SAMPLES", "VIBRATION_COUNTS", "VIBRATION_WINDOW"), ask=PLUG.format("the accelerometer"),
        hand="unplug vibration", needs="limits.vibration_g_rms", start="", wait_s=BY_HAND_S,
    ),
    Provocation(
        "over current", (Reason.OVER_CURRENT,), "limit lowered below the present reading", _current,
        needs="limits.current_a", reads=("current_a",),
    ),
    Provocation(
        "current sensor", (Reason.CURRENT_SENSOR, Reason.OVER_CURRENT), "the current sensor was unplugged",
        _own("CURRENT_COUNTS", "CURRENT_LEAST_COUNTS", "SLOW_CONFIRM_MS"), ask=PLUG.format("the current sensor"),
        hand="unplug current_a", needs="limits.current_a", start="", wait_s=BY_HAND_S,
    ),
    Provocation(
        "pack low", (Reason.PACK_LOW,), "limit raised above the present reading, the safe pulse declared a driving one",
        _pack, needs="limits.minimum_voltage_v", reads=("voltage_v",),
    ),
    Provocation(
        "load cell", (Reason.LOAD_CELL,), "the load cell was unplugged", _own("LOAD_SILENCE_MS", "SLOW_CONFIRM_MS"),
        ask=PLUG.format("the load cell's converter"), hand="unplug thrust_n", needs="limits.thrust_n", start="",
        wait_s=BY_HAND_S,
    ),
    Provocation(
        "stuck servo", (Reason.STUCK_SERVO,), "the servo's feedback was unplugged",
        _own("STUCK_SERVO_COUNTS", "STUCK_SERVO_MS", "SERVO_LOW_COUNTS", "SERVO_HIGH_COUNTS", "SERVO_SAFE_US"),
        ask=PLUG.format("the servo's feedback"), hand="unplug pitch_deg", needs="limits.stuck_servo_deg", start="",
        wait_s=BY_HAND_S,
    ),
    Provocation(
        "supply low", (Reason.SUPPLY_LOW,), "limit raised above the present supply",
        lambda rig, readings: {"SUPPLY_MV": LimitId.SUPPLY_MV.highest, **_own("SLOW_CONFIRM_MS")(rig, readings)},
        needs="limits.supply_v",
    ),
    Provocation(
        CUT, (Reason.OPERATOR_ABORT,), "after an abort the current's zero was put where the sensor does not stand",
        _cut_failed, needs="limits.cut_current_a", start="command", wait_s=25.0,
        reads=("current_a",),
    ),
    Provocation(
        "restart", (Reason.RESTART,), "the device's reset button was pressed while armed", _nothing,
        ask="press the reset button of the device", hand="reset", start="", wait_s=BY_HAND_S,
    ),
)  # fmt: skip
FROM_INSIDE = {
    "loop overrun": "only a fault of the firmware itself makes it: the firmware's own tests prove it",
    "limits corrupt": "only a fault of the device's memory makes it: the firmware's own tests prove it",
}


def unwatched(provocation: Provocation, rig: Rig) -> str:
    """Why ``rig`` does not watch this trip; empty when it does."""
    if provocation.needs and value_at(rig, provocation.needs) is None:
        return f"the rig sets no {provocation.needs}: nobody watches it"
    return ""
