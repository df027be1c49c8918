"""A bare host for the tests of the simulated device: sends commands, lets time pass, keeps what came."""

from __future__ import annotations

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import (
    Ack,
    Arm,
    DeviceEvent,
    EventKind,
    Heartbeat,
    Pitch,
    Reason,
    Result,
    SetLimit,
    Slow,
    State,
    Throttle,
)
from whirlbench.rig.toml import example_rig_text
from whirlbench.simulator.device.simulated_port import simulated_device
from whirlbench.simulator.stand import faults

LIMITS = {
    LimitId.OVERSPEED_TICKS: 120_000_000 // 6200,
    LimitId.OVERSPEED_CONFIRM: 1,
    LimitId.VIBRATION_COUNTS: 1025,
    LimitId.VIBRATION_WINDOW: 64,
    LimitId.HEARTBEAT_MS: 100,
    LimitId.REST_MS: 500,
    LimitId.THROTTLE_SAFE_US: 1000,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.THROTTLE_SLEW_US_PER_S: 500,
    LimitId.PULSES_PER_REV: 1,
    LimitId.SERVO_SAFE_US: 1200,
}


class Host:
    """A bare host: sends a command, lets time pass with or without heartbeats, keeps what came."""

    def __init__(self, *what: faults.Fault, seed: int = 1) -> None:
        self.device = simulated_device(example_rig_text(), seed, what)
        self.unframer = Unframer()
        self.sequence = 0
        self.time_s = 0.0
        self.messages: list = []

    def say(self, command) -> Ack | None:
        """Sends one command; its answer, if one came at once."""
        data = self.device.exchange(self.time_s, frame(command, self.sequence))
        self.sequence += 1
        fresh = self.unframer.feed(data)
        self.messages += fresh
        answers = [item for item in fresh if isinstance(item, Ack) and item.command == command.TYPE]
        return answers[-1] if answers else None

    def wait(self, seconds: float, beat: bool = True) -> list:
        """Lets time pass; what came meanwhile."""
        start = len(self.messages)
        for number in range(round(seconds / 0.02)):
            self.time_s += 0.02
            data = frame(Heartbeat(number & 0xFFFF), self.sequence) if beat else b""
            self.sequence += beat
            self.messages += self.unframer.feed(self.device.exchange(self.time_s, data))
        return self.messages[start:]

    def armed(self, **changes: int) -> Host:
        """Through limits and arming; ``changes`` by slot name."""
        self.wait(0.6)
        table = {**LIMITS, **{LimitId[name]: value for name, value in changes.items()}}
        for slot, value in table.items():
            assert self.say(SetLimit(slot, value)).result == Result.DONE
        self.wait(1.0)
        assert self.say(Arm(checksum(self.device.machine.limits))).result == Result.DONE
        return self

    def turning(self, throttle_us: int = 1400, **changes: int) -> Host:
        """Armed, and up to speed."""
        self.armed(**changes)
        assert self.say(Pitch(1300)).result == Result.DONE
        assert self.say(Throttle(throttle_us)).result == Result.DONE
        self.wait(2.5)
        return self

    @property
    def state(self) -> State:
        return State(self.device.machine.state)

    def trips(self) -> list[DeviceEvent]:
        return [item for item in self.messages if isinstance(item, DeviceEvent) and item.kind == EventKind.TRIP]


def of(kind: type, messages: list) -> list:
    """Those of ``messages`` that are of one kind."""
    return [item for item in messages if isinstance(item, kind)]


def check_cut(host: Host, reason: Reason) -> DeviceEvent:
    """Tripped for ``reason``, once; pulses safe; motor without current."""
    assert host.state == State.TRIPPED
    events = host.trips()
    assert [event.reason for event in events] == [reason]
    slow = of(Slow, host.wait(0.1))[-1]
    assert (slow.state, slow.reason, slow.throttle_us, slow.servo_us) == (State.TRIPPED, reason, 1000, 1200)
    assert host.device.plant.state.duty == 0.0
    return events[0]
