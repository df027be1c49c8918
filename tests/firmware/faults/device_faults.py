"""Every single fault of the device's page, acted on the compiled sketch, with what must come of it.

A fault is a function that brings a fresh stand into the fault and runs on until it is decided; ``FAULTS`` declares
with each what the device has to be left in. The tests compare, and ``bench/docs/fault_table.md`` is made of the same
declarations.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from device_stand import TURNING_US, DeviceStand, device_stand

from whirlbench.link.framing import frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
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
    Restart,
    SetLimit,
    State,
    Throttle,
)

SAFE_US = 1000
LOW_SAFE_US = 900
SAFE_CAP_US = 1200  # the build's
OVERSPEED_RPM = 6000  # of the shipped example rig
FIRST_PULSE_MS = 60.0  # from the restart to the end of the first pulse
FULL_LOAD = 0x7FFFFF
RAILED = (4095, 4095, 4095)
OUT_OF_REACH = {LimitId.VIBRATION_COUNTS: 9000}  # above what any reading of the part can give
LINE_BYTES_PER_S = 50_000  # 500 kbaud, ten bits a byte
NOISE = np.random.default_rng(5).integers(0, 256, 499, dtype=np.uint8).tobytes()
COMMANDED = -1  # the pulse follows commands, and is not compared
MEGA, SMALL = "atmega2560", "atmega328p"
BOTH = (MEGA, SMALL)


@dataclass(frozen=True)
class Left:
    """What a fault leaves: state, reason, pulse on the wire (0: none), second cut, further facts."""

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


def broken(changes: dict[LimitId, int] | None = None, **what: object) -> Callable[[str], Seen]:
    """A fault of the rotor, its controller or a sensor that comes while the stand turns steadily."""

    def act(board: str) -> Seen:
        with device_stand(board, changes) as stand:
            stand.turn()
            for name, value in what.items():
                assert hasattr(stand.rotor.broken, name)
                setattr(stand.rotor.broken, name, value)
            return trips_from(stand)

    return act


# --- nothing may be driven --------------------------------------------------------------------------------------------


def safe_slot_raised(board: str) -> Seen:
    """The host asks for a safe pulse that would drive the motor, then for the greatest that may count as safe."""
    with device_stand(board) as stand:
        stand.lock()
        answers = [stand.refusal(SetLimit(LimitId.THROTTLE_SAFE_US, us)) for us in (2200, 1800, SAFE_CAP_US + 1)]
        stand.run(3.0)
        return seen(stand, facts=(*answers, f"greatest pulse {most_pulse_us(stand)} us"))


def drives_locked(board: str) -> Seen:
    """Everything that drives, sent while locked."""
    with device_stand(board) as stand:
        stand.lock()
        facts = tuple(stand.refusal(command) for command in (Throttle(1500), Request(3000), Pitch(1500)))
        stand.run(0.1)
        return seen(stand, facts=(*facts, f"greatest pulse {most_pulse_us(stand)} us"))


def never_set(board: str) -> Seen:
    """Power-on of a device that was never told a safe pulse."""
    with device_stand(board) as stand:
        stand.talk.identify()
        stand.run(0.3)
        return seen(stand, facts=(f"{len(stand.pulses)} pulses",))


def restarted(cause: Restart, running: bool = True) -> Callable[[str], Seen]:
    """The device starts again under a controller that stops at 900 us and drives at 1000."""

    def act(board: str) -> Seen:
        with device_stand(board, {LimitId.THROTTLE_SAFE_US: LOW_SAFE_US}) as stand:
            if running:
                stand.turn()
            else:
                stand.lock()
            before_s = stand.stand.now_s
            stand.stand.mcu.reset(cause)
            fresh = hear_again(stand)
            later = [pulse for pulse in stand.pulses if pulse.rise_s > before_s]
            first_ms = (later[0].fall_s - before_s) * 1e3 if later else float("inf")
            assert first_ms < FIRST_PULSE_MS, f"first pulse {first_ms:.0f} ms after the restart"
            return seen(fresh, facts=(f"greatest pulse {round(max(pulse.width_us for pulse in later))} us",))

    return act


def lost_its_way(board: str) -> Seen:
    """The program goes round in an empty loop, interrupts on, until the watchdog bites."""
    with device_stand(board, {LimitId.THROTTLE_SAFE_US: LOW_SAFE_US}) as stand:
        stand.turn()
        hung_s = stand.stand.now_s
        stand.stand.mcu.hang(interrupts=True)
        fresh = hear_again(stand)
        last_s = max(pulse.fall_s for pulse in stand.pulses if pulse.width_us > LOW_SAFE_US + 2)
        return seen(fresh, last_s - hung_s)


def watchdog_then_pin(board: str) -> Seen:
    """A watchdog restart in locked, and somebody pulls the reset pin on it."""
    with device_stand(board) as stand:
        stand.lock()
        stand.stand.mcu.reset(Restart.WATCHDOG)
        assert hear_again(stand).state is State.TRIPPED
        stand.stand.mcu.reset(Restart.EXTERNAL)
        return seen(hear_again(stand))


def servo_safe_outside(board: str) -> Seen:
    """The servo's place after a trip lies beyond what the pitch linkage admits."""
    with device_stand(board, {LimitId.SERVO_MIN_US: 1300, LimitId.SERVO_SAFE_US: 1200}) as stand:
        stand.lock()
        answer = stand.refusal(Arm(stand.crc))
        stand.run(0.05)
        return seen(stand, facts=(answer,))


def wrong_version(board: str) -> Seen:
    """A host of an earlier protocol version."""
    with device_stand(board) as stand:
        stand.lock()
        answers = stand.answers(*(Identify(version) for version in (0, PROTOCOL_VERSION - 1, PROTOCOL_VERSION + 1)))
        stand.run(0.05)
        return seen(stand, facts=answers)


def aborted(reach: str) -> Callable[[str], Seen]:
    """The operator's abort in the state that ``reach`` brings the stand into, and the safe pulse behind it."""

    def act(board: str) -> Seen:
        with device_stand(board) as stand:
            getattr(stand, reach)()
            answers = (stand.refusal(Abort(Reason.OPERATOR_ABORT)), stand.refusal(Throttle(SAFE_US)))
            return replace(trips_from(stand), left=seen(stand, facts=answers).left)

    return act


def aborted_when_tripped(board: str) -> Seen:
    """An abort after a trip: accepted, and the first reason stays."""
    with device_stand(board) as stand:
        stand.turn()
        stand.talk.beating = False
        stand.until(State.TRIPPED, 1.0)
        answers = (stand.refusal(Abort(Reason.OPERATOR_ABORT)), stand.refusal(Throttle(SAFE_US)))
        stand.run(0.05)
        return seen(stand, facts=answers)


# --- while it turns ---------------------------------------------------------------------------------------------------


def runs_away(board: str) -> Seen:
    """The controller drives harder than it is asked."""
    with device_stand(board) as stand:
        stand.turn()
        stand.rotor.broken.speed_factor = 2.5
        return trips_from(stand)


def silent_host(board: str) -> Seen:
    """The heartbeat stops."""
    with device_stand(board) as stand:
        stand.turn()
        stand.talk.beating = False
        return trips_from(stand)


def tach_off_under_governor(board: str) -> Seen:
    """The tach's wire comes off while the bench's governor holds the speed: its pulse must not rise on stale news."""
    with device_stand(board) as stand:
        stand.govern()
        before_us = max(pulse.width_us for pulse in stand.pulses[-10:])
        began_s = stand.stand.now_s
        stand.rotor.broken.tach_off = True
        found = trips_from(stand)
        rose_us = max(pulse.width_us for pulse in stand.pulses if pulse.rise_s > began_s) - before_us
        assert rose_us < 15.0, f"the governor's pulse rose by {rose_us:.0f} us without a tach"
        return found


def every_second_edge(board: str) -> Seen:
    """Every second edge is missing, and the controller runs away to 1.9 times the limit: half of it is seen."""
    with device_stand(board) as stand:
        stand.turn()
        stand.rotor.broken.edges_taken = 2
        found = trips_from(stand)
        assert stand.rotor.most_rpm < OVERSPEED_RPM
        return found


def cut_ignored(disarm: bool) -> Callable[[str], Seen]:
    """The speed controller drives on after the power was cut."""

    def act(board: str) -> Seen:
        with device_stand(board) as stand:
            stand.turn()
            stand.rotor.broken.ignores_cut = True
            began_s = stand.stand.now_s
            stand.talk.command(Disarm() if disarm else Abort(Reason.OPERATOR_ABORT))
            while stand.stand.now_s < began_s + 1.5 and not cut_failures(stand):
                stand.run(0.005)
            took_s = stand.stand.now_s - began_s
            stand.run(0.1)
            told = ("cut failed told",) if cut_failures(stand) else ()
            return seen(stand, took_s, told)

    return act


def cut_failures(stand: DeviceStand) -> list[DeviceEvent]:
    """Events that say that a cut did not work."""
    return [event for event in stand.talk.all_of(DeviceEvent) if event.kind == EventKind.CUT_FAILED]


def shaken(board: str) -> Seen:
    """Vibration far above its limit from one moment on."""
    with device_stand(board) as stand:
        stand.turn()
        stand.rotor.broken.accelerometer_noise = 100.0
        return trips_from(stand)


def load_cell_silent(board: str) -> Seen:
    """The load cell's converter stops converting."""
    with device_stand(board) as stand:
        stand.turn()
        stand.stand.mcu.load(FULL_LOAD // 2, clock_factor=1e-6)
        return trips_from(stand)


def servo_stuck(board: str) -> Seen:
    """The pitch servo stays where it is and a command moves on."""
    with device_stand(board) as stand:
        stand.turn()
        stand.talk.command(Pitch(1500))
        stand.run(0.5)
        stand.rotor.broken.servo_stuck = True
        stand.talk.command(Pitch(1800))
        return trips_from(stand)


def supply_sags(board: str) -> Seen:
    """The board's own supply sinks to where the chip is no longer specified for its clock."""
    with device_stand(board) as stand:
        stand.turn()
        stand.stand.mcu.supply(4200)
        return trips_from(stand)


def babble(data: bytes) -> Callable[[str], Seen]:
    """A host that fills the line at full rate for half a second, its heartbeats somewhere in between."""

    def act(board: str) -> Seen:
        with device_stand(board) as stand:
            stand.turn()
            stand.talk.heard.clear()
            for _ in range(100):
                stand.stand.write((data * (LINE_BYTES_PER_S // 200 // len(data) + 1))[: LINE_BYTES_PER_S // 200])
                stand.run(0.005)
            while stand.stand.mcu.unsent:
                stand.run(0.01)
            stand.run(0.05)
            restarts = stand.stand.counters["resets"]
            return seen(stand, facts=(f"{restarts} restarts", f"{len(stand.talk.all_of(Hello))} introductions"))

    return act


def limit_corrupted(board: str) -> Seen:
    """A bit of the overspeed limit falls over in memory while the stand turns."""
    with device_stand(board) as stand:
        stand.turn()
        corrupt(stand, LimitId.OVERSPEED_TICKS)
        return trips_from(stand)


def limit_corrupted_locked(board: str) -> Seen:
    """The same while locked: what is then armed with is no longer what was agreed."""
    with device_stand(board) as stand:
        stand.lock()
        corrupt(stand, LimitId.OVERSPEED_TICKS)
        stand.run(0.2)
        answer = stand.refusal(Arm(stand.crc))
        stand.run(0.05)
        return seen(stand, facts=("armed",) if answer == "DONE" else ("not armed",))


def corrupt(stand: DeviceStand, slot: LimitId) -> None:
    """Turns one bit of the limit table, which is found in memory as the values that were sent, in slot order."""
    echo = stand.talk.conversation.limits
    assert echo is not None
    table = struct.pack(f"<{len(echo.values)}I", *echo.values)
    memory = stand.stand.mcu.memory()
    place = memory.find(table)
    assert place > 0 and memory.find(table, place + 1) < 0, "the limit table was not found once in memory"
    place += 4 * slot + 1
    stand.stand.mcu.poke(place, bytes([memory[place] ^ 0x40]))


def absurd_request(board: str) -> Seen:
    """A request above what the overspeed limit permits."""
    with device_stand(board) as stand:
        stand.govern()
        answers = (stand.refusal(Request(65_535)), stand.refusal(Request(OVERSPEED_RPM + 50)))
        stand.run(0.3)
        assert stand.rotor.most_rpm < 4600.0
        return replace(seen(stand, facts=answers), left=at_command(stand, answers))


def at_command(stand: DeviceStand, facts: tuple[str, ...]) -> Left:
    """What is left where the governor's pulse goes on: the pulse is then not compared."""
    return Left(stand.state, stand.reason, COMMANDED, stand.second_cut, facts)


def hear_again(stand: DeviceStand) -> DeviceStand:
    """Another host, which hears the device's new life from its beginning and does not beat."""
    stand.stand.read()
    fresh = DeviceStand(stand.board, stand.stand, stand.rotor, stand.changes)
    fresh.talk.beating = False
    fresh.run(0.4)
    return fresh


def most_pulse_us(stand: DeviceStand) -> int:
    """Width of the longest pulse since power-on."""
    return round(max((pulse.width_us for pulse in stand.pulses), default=0.0))


DONE2, REFUSED = ("DONE", "DONE"), "BAD_VALUE"
TRIPPED, LOCKED, TURNING = State.TRIPPED, State.LOCKED, State.TURNING

FAULTS = (
    DeviceFault(
        "safe slot raised to 2200, 1800 and 1201 us in locked",
        safe_slot_raised,
        Left(LOCKED, facts=(REFUSED, REFUSED, REFUSED, "greatest pulse 1000 us")),
        boards=BOTH,
    ),
    DeviceFault(
        "throttle, request and pitch in locked",
        drives_locked,
        Left(LOCKED, facts=("WRONG_STATE", "WRONG_STATE", "WRONG_STATE", "greatest pulse 1000 us")),
    ),
    DeviceFault(
        "power-on, no safe pulse ever set", never_set, Left(LOCKED, pulse_us=0, facts=("0 pulses",)), boards=BOTH
    ),
    DeviceFault(
        "power-on, controller that stops at 900 us",
        restarted(Restart.POWER_ON, running=False),
        Left(LOCKED, pulse_us=900, facts=("greatest pulse 900 us",)),
        boards=BOTH,
    ),
    DeviceFault(
        "watchdog restart in mid run, controller that stops at 900 us",
        restarted(Restart.WATCHDOG),
        Left(TRIPPED, Reason.RESTART, 900, facts=("greatest pulse 900 us",)),
        boards=BOTH,
    ),
    DeviceFault(
        "brown-out in mid run, controller that stops at 900 us",
        restarted(Restart.BROWN_OUT),
        Left(TRIPPED, Reason.RESTART, 900, facts=("greatest pulse 900 us",)),
        boards=BOTH,
    ),
    DeviceFault(
        "reset pin in mid run (the port was opened)",
        restarted(Restart.EXTERNAL),
        Left(TRIPPED, Reason.RESTART, 900, facts=("greatest pulse 900 us",)),
    ),
    DeviceFault(
        "program lost its way in mid run, controller that stops at 900 us",
        lost_its_way,
        Left(TRIPPED, Reason.RESTART, 900),
        within_ms=140.0,
        boards=BOTH,
    ),
    DeviceFault("watchdog restart in locked, then the reset pin", watchdog_then_pin, Left(TRIPPED, Reason.RESTART)),
    DeviceFault("servo's safe pulse outside its range, at arming", servo_safe_outside, Left(LOCKED, facts=(REFUSED,))),
    DeviceFault("host of another protocol version", wrong_version, Left(LOCKED, facts=3 * ("WRONG_VERSION",))),
    DeviceFault("abort in locked", aborted("lock"), Left(TRIPPED, Reason.OPERATOR_ABORT, facts=DONE2), 20.0),
    DeviceFault("abort in armed", aborted("arm"), Left(TRIPPED, Reason.OPERATOR_ABORT, facts=DONE2), 20.0),
    DeviceFault("abort in turning", aborted("turn"), Left(TRIPPED, Reason.OPERATOR_ABORT, facts=DONE2), 20.0),
    DeviceFault("abort in tripped", aborted_when_tripped, Left(TRIPPED, Reason.HEARTBEAT_LOST, facts=DONE2)),
    DeviceFault("controller runs away", runs_away, Left(TRIPPED, Reason.OVERSPEED), 200.0),
    DeviceFault("vibration far above its limit", shaken, Left(TRIPPED, Reason.VIBRATION), 100.0),
    DeviceFault("heartbeat stops", silent_host, Left(TRIPPED, Reason.HEARTBEAT_LOST), 140.0),
    DeviceFault(
        "tach wire off under the governor", tach_off_under_governor, Left(TRIPPED, Reason.LOST_TACH), 100.0, BOTH
    ),
    DeviceFault("tach wire off, open throttle", broken(tach_off=True), Left(TRIPPED, Reason.LOST_TACH), 100.0),
    DeviceFault("every second edge missing", every_second_edge, Left(TRIPPED, Reason.LOST_TACH), 200.0),
    DeviceFault(
        "controller ignores the cut of an abort",
        cut_ignored(disarm=False),
        Left(TRIPPED, Reason.OPERATOR_ABORT, facts=("cut failed told",)),
        600.0,
        BOTH,
    ),
    DeviceFault(
        "controller ignores a disarm",
        cut_ignored(disarm=True),
        Left(TRIPPED, Reason.CUT_FAILED, facts=("cut failed told",)),
        600.0,
    ),
    DeviceFault(
        "accelerometer frozen at zero", broken(frozen=(0, 0, 0)), Left(TRIPPED, Reason.ACCELEROMETER), 100.0, BOTH
    ),
    DeviceFault(
        "accelerometer frozen at a constant", broken(frozen=(17, -3, 256)), Left(TRIPPED, Reason.ACCELEROMETER), 100.0
    ),
    DeviceFault(
        "accelerometer jumps to its rail on all axes", broken(frozen=RAILED), Left(TRIPPED, Reason.VIBRATION), 100.0
    ),
    DeviceFault(
        "accelerometer railed on all axes, vibration limit out of reach",
        broken(OUT_OF_REACH, frozen=RAILED),
        Left(TRIPPED, Reason.ACCELEROMETER),
        100.0,
    ),
    DeviceFault(
        "accelerometer railed on one axis, vibration limit out of reach",
        broken(OUT_OF_REACH, railed_axis=1),
        Left(TRIPPED, Reason.ACCELEROMETER),
        100.0,
    ),
    DeviceFault("current sensor railed high", broken(current=1023), Left(TRIPPED, Reason.CURRENT_SENSOR), 60.0),
    DeviceFault("current sensor off, reads nothing", broken(current=0), Left(TRIPPED, Reason.CURRENT_SENSOR), 60.0),
    DeviceFault("over-current", broken(current_added=250), Left(TRIPPED, Reason.OVER_CURRENT), 60.0),
    DeviceFault("load cell railed", broken(load=FULL_LOAD), Left(TRIPPED, Reason.LOAD_CELL), 200.0),
    DeviceFault("load cell silent", load_cell_silent, Left(TRIPPED, Reason.LOAD_CELL), 200.0),
    DeviceFault("pitch servo stuck", servo_stuck, Left(TRIPPED, Reason.STUCK_SERVO), 500.0),
    DeviceFault("supply of the device sags to 4.2 V", supply_sags, Left(TRIPPED, Reason.SUPPLY_LOW), 100.0, BOTH),
    DeviceFault("pack sags", broken(voltage=500), Left(TRIPPED, Reason.PACK_LOW), 60.0),
    DeviceFault(
        "host babbles noise at full line rate",
        babble(NOISE),
        Left(TRIPPED, Reason.HEARTBEAT_LOST, facts=("0 restarts", "0 introductions")),
        boards=BOTH,
    ),
    DeviceFault(
        "host babbles heartbeats at full line rate",
        babble(frame(Heartbeat(0), 0)),
        Left(TURNING, pulse_us=TURNING_US, second_cut="closed", facts=("0 restarts", "0 introductions")),
        boards=BOTH,
    ),
    DeviceFault(
        "a limit corrupted in memory while turning", limit_corrupted, Left(TRIPPED, Reason.LIMITS_CORRUPT), 100.0, BOTH
    ),
    DeviceFault(
        "a limit corrupted in memory while locked",
        limit_corrupted_locked,
        Left(LOCKED, facts=("not armed",)),
    ),
    DeviceFault(
        "request of 65535 rpm, and of one just above the limit",
        absurd_request,
        Left(TURNING, pulse_us=COMMANDED, second_cut="closed", facts=("ABOVE_OVERSPEED", "ABOVE_OVERSPEED")),
    ),
)
