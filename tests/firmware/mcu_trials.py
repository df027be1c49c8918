"""Provoked trips of the compiled sketch, and how long the cut took: one trial in the tests, many in the benchmark."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from mcu import ESC, Pulse
from mcu_rotor import RawSensors, ScriptedRotor, Shake
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.framing import frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Abort, Arm, Reason, Reset, State, Throttle
from whirlbench.session.engine.device_limits import device_limits

SAFE_OUT_US = 1560.0  # end of the first safe pulse: shortest gap + safe pulse + reaction
LOOP_US = 2500.0  # what the sketch's loop may take before it looks again

SAFE_US = 1000.0
PULSE_TOLERANCE_US = 1.0
REST_MS = 100
TICKS_PER_MINUTE = 120e6
QUICK = {
    LimitId.REST_MS: REST_MS,  # the shortest: a trial has to stop and start again
    LimitId.THROTTLE_SLEW_US_PER_S: 0,  # no slew: the throttle is where the trial wants it at once
}


HEALTHY = {"current_a": 512, "voltage_v": 800, "thrust_n": 84_000}  # counts: sensors that a device may believe


def quiet(times_s: np.ndarray) -> np.ndarray:
    """A healthy accelerometer on a stand that does not shake: a count of noise on every axis, or it would be frozen."""
    return np.repeat(np.rint(times_s * 1600.0) % 2.0, 3).reshape(-1, 3)


@dataclass(frozen=True)
class Cut:
    """How one trip reached the speed controller; times in microseconds after its cause.

    ``low_us``: until the last pulse that was no safe one had ended; 0 when there was none. ``safe_us``: until a whole
    safe pulse had gone out. ``phase_us``: from the latest rising edge to the cause.
    """

    phase_us: float
    low_us: float
    safe_us: float
    throttle_us: float


def cut_after(pulses: list[Pulse], cause_s: float, throttle_us: float) -> Cut:
    """The cut that followed ``cause_s``; AssertionError when a pulse after it was no safe one."""
    esc = [pulse for pulse in pulses if pulse.output == ESC]
    phase_us = (cause_s - max(pulse.rise_s for pulse in esc if pulse.rise_s <= cause_s)) * 1e6
    later = [pulse for pulse in esc if pulse.fall_s > cause_s]
    safe = [is_safe(pulse) for pulse in later]
    assert True in safe, f"no safe pulse within {(later[-1].fall_s - cause_s) * 1e3:.2f} ms"
    first = safe.index(True)
    assert all(safe[first:]) and len(safe) - first >= 3, [round(pulse.width_us, 2) for pulse in later]
    low_us = (later[first - 1].fall_s - cause_s) * 1e6 if first else 0.0
    return Cut(float(phase_us), float(low_us), float((later[first].fall_s - cause_s) * 1e6), throttle_us)


def is_safe(pulse: Pulse) -> bool:
    """Whether the speed controller would take this pulse for "stop"."""
    return abs(pulse.width_us - SAFE_US) <= PULSE_TOLERANCE_US


class Trials:
    """An armed stand that is tripped again and again; ``changes`` to the limit table are kept over all trials."""

    def __init__(self, stand: McuStand, changes: dict[LimitId, int] | None = None) -> None:
        assert isinstance(stand.plant, ScriptedRotor)
        self.stand, self.rotor, self.talk = stand, stand.plant, Talk(stand)
        self.talk.arm({**QUICK, **(changes or {})})
        assert self.talk.conversation.limits is not None
        self.crc = self.talk.conversation.limits.crc
        self.limits = device_limits(stand.rig)

    def turn(self, rpm: float, throttle_us: int) -> None:
        """Brings the stand to turning at ``rpm`` with ``throttle_us`` on the wire."""
        self.rotor.rpm = rpm
        self.talk.command(Throttle(throttle_us))
        self.talk.run(0.03)
        assert self.talk.state is State.TURNING

    def recover(self) -> None:
        """From tripped back to armed, as an operator would."""
        self.rotor.rpm, self.rotor.shake = 0.0, quiet
        self.talk.beating = True
        self.talk.run(REST_MS / 1000 + 0.03)
        self.talk.command(Throttle(int(SAFE_US)))
        self.talk.command(Reset())
        self.talk.command(Arm(self.crc))
        self.talk.run(0.01)
        self.stand.mcu.pulses.clear()
        self.talk.heard.clear()

    def finish(self, reason: Reason, cause_s: float, throttle_us: float) -> Cut:
        """Waits for the trip, checks its reason, and returns the cut."""
        self.talk.run(0.012)
        assert self.talk.state is State.TRIPPED
        assert [why for why, _ in self.talk.trips] == [reason]
        return cut_after(self.stand.mcu.pulses, cause_s, throttle_us)

    def overspeed(self, offset_s: float, throttle_us: int, confirm: int = 1) -> Cut:
        """Edges that come too soon, the last ``offset_s`` (0 to 2.5 ms) into the run's future; cause: that edge."""
        self.turn(4000.0, throttle_us)
        self.rotor.rpm = 0.0  # edges by hand from now on
        self.talk.run(0.004)
        limit_s = self.limits[LimitId.OVERSPEED_TICKS] / 2e6
        start_s = self.stand.now_s + limit_s + 0.004 + offset_s
        edges_s = start_s + 0.9 * limit_s * np.arange(confirm + 1)
        self.rotor.edge_at(*edges_s)
        self.talk.run(edges_s[-1] - self.stand.now_s)
        assert not self.talk.trips
        return self.finish(Reason.OVERSPEED, self.rotor.edges_s[-1], throttle_us)

    def heartbeat(self, offset_s: float, throttle_us: int) -> Cut:
        """Heartbeats that stop; cause: the limit's time after the last byte of the last one."""
        self.turn(4000.0, throttle_us)
        self.talk.run(0.02 + offset_s)
        self.talk.beating = False
        while self.stand.mcu.unsent:
            self.talk.run(0.0001)
        due_s = self.stand.mcu.last_sent_s + self.limits[LimitId.HEARTBEAT_MS] / 1000
        self.talk.run(due_s - self.stand.now_s)
        assert not self.talk.trips
        return self.finish(Reason.HEARTBEAT_LOST, due_s, throttle_us)

    def abort(self, offset_s: float, throttle_us: int) -> Cut:
        """The operator's abort; cause: the last byte of its frame on the wire."""
        self.turn(4000.0, throttle_us)
        self.talk.run(0.002 + offset_s)
        self.talk.beating = False
        self.stand.write(frame(Abort(Reason.OPERATOR_ABORT), 0))
        self.talk.run(0.002)
        return self.finish(Reason.OPERATOR_ABORT, self.stand.mcu.last_sent_s, throttle_us)

    def vibration(self, offset_s: float, throttle_us: int, amplitude: int) -> Cut:
        """Shaking of ``amplitude`` counts at 100 Hz; cause: the last sample of the first window above the limit."""
        self.turn(4000.0, throttle_us)
        begin_s = self.stand.now_s + 0.004 + offset_s
        self.rotor.shake = lambda times_s: shaking(times_s, begin_s, amplitude)
        while self.talk.state is not State.TRIPPED and self.stand.now_s < begin_s + 0.2:
            self.talk.run(0.005)
        return self.finish(Reason.VIBRATION, self.telling_sample_s(begin_s), throttle_us)

    def telling_sample_s(self, begin_s: float) -> float:
        """Time of the last sample of the first window above the limit, by the definition in PROTOCOL.md."""
        window, limit = self.limits[LimitId.VIBRATION_WINDOW], self.limits[LimitId.VIBRATION_COUNTS]
        counts = np.concatenate(self.rotor.shaken)[2:].astype(int)
        times_s = np.concatenate(self.rotor.sample_times_s)[2:]
        for first in range(0, len(counts) - window + 1, window):
            part = counts[first : first + window]
            value = int((window * (part**2).sum(axis=0) - part.sum(axis=0) ** 2).sum())
            if times_s[first + window - 1] > begin_s and value > limit**2 * window**2:
                return float(times_s[first + window - 1])
        raise AssertionError("no window was above the limit")


def shaking(times_s: np.ndarray, begin_s: float, amplitude: int) -> np.ndarray:
    """A 100 Hz sine on all axes from ``begin_s`` on, in counts."""
    wave = np.where(times_s >= begin_s, amplitude * np.sin(2 * np.pi * 100.0 * (times_s - begin_s)), 0.0)
    return np.stack([wave, wave, wave], axis=1)


@contextmanager
def trials(board: str, changes: dict[LimitId, int] | None = None, shake: Shake = quiet) -> Iterator[Trials]:
    """Trials on a board of its own, which shakes as ``shake`` says from power-on."""
    rotor = ScriptedRotor()
    rotor.show(**HEALTHY)
    rotor.shake = shake
    with McuStand(board, plant=rotor, sensors=RawSensors()) as stand:
        yield Trials(stand, changes)
