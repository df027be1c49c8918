"""The compiled sketch on a stand that can be broken: from power-on to turning, and what came of a fault."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from fault_rotor import CURRENT_ZERO, SERVO_COUNTS, FaultRotor
from mcu import ESC, Pulse
from mcu_rotor import RawSensors
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    Ack,
    Arm,
    GovernorId,
    GovernorMode,
    Message,
    Reason,
    Request,
    Result,
    SetGovernor,
    Slow,
    State,
    Throttle,
)

REST_MS = 150
# The table of a rig whose sensors are those of the stand's rotor, with short times so that a fault is soon decided.
TABLE = {
    LimitId.REST_MS: REST_MS,
    LimitId.THROTTLE_SLEW_US_PER_S: 0,
    LimitId.CURRENT_COUNTS: 800,
    LimitId.CURRENT_LEAST_COUNTS: 400,
    LimitId.CURRENT_ZERO_COUNTS: CURRENT_ZERO,
    LimitId.CUT_CURRENT_COUNTS: 20,
    LimitId.CUT_PROOF_MS: 400,
    LimitId.SLOW_CONFIRM_MS: 20,
    LimitId.LOST_TACH_MS: 60,
    LimitId.START_TACH_MS: 600,
    LimitId.DRIVEN_US: 1100,
    LimitId.TACH_JUMP_PERIODS: 3,
    LimitId.VOLTAGE_COUNTS: 650,
    LimitId.SUPPLY_MV: 4500,
    LimitId.LOAD_SILENCE_MS: 100,
    LimitId.FROZEN_SAMPLES: 64,
    LimitId.STUCK_SERVO_COUNTS: 60,
    LimitId.STUCK_SERVO_MS: 300,
    LimitId.SERVO_LOW_COUNTS: round(SERVO_COUNTS[0][1]),
    LimitId.SERVO_HIGH_COUNTS: round(SERVO_COUNTS[1][1]),
}
SECOND_CUT_PINS = {"atmega2560": ("B", 4), "atmega328p": ("D", 6)}  # of the wiring page
TURNING_US = 1460  # 4000 rpm on the stand's rotor
GOVERNOR = {  # gains that hold the stand's rotor at its speed
    GovernorId.MODE: GovernorMode.THROTTLE,
    GovernorId.THROTTLE_KP: 1000,
    GovernorId.THROTTLE_KI: 6000,
    GovernorId.THROTTLE_MIN_US: 1100,
    GovernorId.THROTTLE_MAX_US: 1900,
}


class DeviceStand:
    """One sketch, one rotor, one host that beats; ``changes`` to the rig's limit table."""

    def __init__(
        self, board: str, stand: McuStand, rotor: FaultRotor, changes: dict[LimitId, int] | None = None
    ) -> None:
        self.stand, self.rotor, self.talk = stand, rotor, Talk(stand)
        self.changes = {**TABLE, **(changes or {})}
        self.board = board

    @property
    def pulses(self) -> list[Pulse]:
        """Pulses to the speed controller since power-on."""
        return [pulse for pulse in self.stand.mcu.pulses if pulse.output == ESC]

    @property
    def second_cut(self) -> str:
        """Level of the second cut's pin as a contactor with its pull-down sees it: "closed" or "open"."""
        return "closed" if self.stand.mcu.pin(*SECOND_CUT_PINS[self.board]) == "high" else "open"

    def run(self, for_s: float) -> None:
        """Lets time pass."""
        self.talk.run(for_s)

    def lock(self) -> None:
        """Identified, limits sent, locked and at rest."""
        self.talk.identify()
        self.crc = self.talk.send_limits(self.changes)
        self.run(REST_MS / 1000 + 0.05)

    def arm(self) -> None:
        """Locked, then armed."""
        self.lock()
        self.talk.command(Arm(self.crc))
        self.run(0.02)
        assert self.state is State.ARMED

    def turn(self, throttle_us: int = TURNING_US, for_s: float = 0.7) -> None:
        """Armed, then turning at a steady speed."""
        self.arm()
        self.talk.command(Throttle(throttle_us))
        self.run(for_s)
        assert self.state is State.TURNING, self.talk.trips

    def govern(self, rpm: int = 4000) -> None:
        """Turning, with the bench's own governor on the throttle."""
        self.arm()
        for parameter, value in GOVERNOR.items():
            self.talk.command(SetGovernor(parameter, value))
        self.talk.command(Throttle(TURNING_US - 60))
        self.run(0.4)
        self.talk.command(Request(rpm))
        self.run(1.2)
        assert self.state is State.TURNING, self.talk.trips
        assert abs(self.rotor.state.rpm - rpm) < 0.1 * rpm, self.rotor.state.rpm

    def until(self, state: State, within_s: float) -> float:
        """Runs until ``state`` is told; how long that took, or the whole time when it never was."""
        began_s = self.stand.now_s
        while self.state is not state and self.stand.now_s - began_s < within_s:
            self.run(0.005)
        return self.stand.now_s - began_s

    def answers(self, *commands: Message) -> tuple[str, ...]:
        """The same for commands that the conversation would take amiss; they go out beside it."""
        self.stand.read()
        beside = Unframer()
        found = []
        for number, command in enumerate(commands, start=100):
            self.stand.write(frame(command, number))
            self.stand.run(self.stand.now_s + 0.05)
            acks = [message for message in beside.feed(self.stand.read()) if isinstance(message, Ack)]
            found += [Result(ack.result).name for ack in acks if ack.command_sequence == number]
        return tuple(found)

    def refusal(self, command: Message) -> str:
        """The name of the result that answers ``command``."""
        return Result(self.talk.ask(command).result).name

    @property
    def state(self) -> State:
        """As the latest slow message tells it."""
        return self.talk.state

    @property
    def reason(self) -> Reason:
        """The same of the reason."""
        return Reason(self.talk.latest(Slow).reason)


@contextmanager
def device_stand(
    board: str = "atmega2560", changes: dict[LimitId, int] | None = None, seed: int = 1
) -> Iterator[DeviceStand]:
    """A fresh stand, powered on at time zero."""
    rotor = FaultRotor(np.random.default_rng(seed))
    with McuStand(board, plant=rotor, sensors=RawSensors()) as stand:
        yield DeviceStand(board, stand, rotor, changes)
