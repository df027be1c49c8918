"""The bench's own governor closing the loop over a simulated stand, in quick runs: the device's law, no device."""

from __future__ import annotations

import numpy as np

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import GovernorId, GovernorMode
from whirlbench.rig.description import Rig, servo_ends
from whirlbench.rig.device_slots import slot_values
from whirlbench.simulator.device.governor import DeviceGovernor
from whirlbench.simulator.stand import TICK_S, Commands, Plant, Transducers

ONE_Q16 = 1 << 16
MODES = {"throttle": GovernorMode.THROTTLE, "pitch": GovernorMode.PITCH}


def bench_governor(rig: Rig) -> DeviceGovernor:
    """The device's governor as this rig would have it set: gains, ranges and slews of ``[governor]``; not running."""
    filled = slot_values(rig)
    limits = [filled[slot.name].counts if slot.name in filled else slot.start for slot in LimitId]
    servo = servo_ends(rig)
    governor, own = DeviceGovernor(limits), rig.governor
    values = {
        GovernorId.MODE: MODES[own.mode],
        GovernorId.THROTTLE_KP: round(own.kp_us_per_rpm * ONE_Q16),
        GovernorId.THROTTLE_KI: round(own.ki_us_per_rpm_s * ONE_Q16),
        GovernorId.PITCH_KP: round(own.pitch_kp_us_per_rpm * ONE_Q16),
        GovernorId.PITCH_KI: round(own.pitch_ki_us_per_rpm_s * ONE_Q16),
        GovernorId.THROTTLE_MIN_US: round(rig.throttle.min_us),
        GovernorId.THROTTLE_MAX_US: round(rig.throttle.max_us),
        GovernorId.PITCH_MIN_US: servo[0],
        GovernorId.PITCH_MAX_US: servo[1],
        GovernorId.THROTTLE_SLEW_US_PER_S: round(own.throttle_slew_us_per_s),
        GovernorId.PITCH_SLEW_US_PER_S: round(own.pitch_slew_us_per_s),
    }
    for parameter, value in values.items():
        governor.set(parameter, value)
    return governor


class GovernedDrive:
    """Runs a plant through commands with the governor in the loop; ``commands`` then holds the pulses that went out."""

    def __init__(self, plant: Plant, asked: Commands, transducers: Transducers) -> None:
        self._plant, self._asked, self._transducers = plant, asked, transducers
        self._governor = bench_governor(plant.settings.rig)
        self._rest_s = plant.settings.rig.tach.rest_ms / 1000.0
        self._period_ticks = 0
        self.edges_s: list[float] = []
        self.commands = Commands(asked.time_s, asked.throttle_us.copy(), asked.servo_us.copy(), asked.request_rpm)

    def run(self, duration_s: float) -> None:
        """From the plant's present to ``duration_s``, one step of the law every step of the commands."""
        times = [*self._asked.time_s[1:].tolist(), duration_s]
        out = self.commands
        for step, end_s in enumerate(times):
            self._govern(step)
            self._plant.advance(end_s, float(out.throttle_us[step]), float(out.servo_us[step]))
            self._watch_tach(end_s)

    def _govern(self, step: int) -> None:
        """Replaces one of the two pulses of this step by the governor's while a speed is asked for."""
        request, governor, out = self._asked.request_rpm[step], self._governor, self.commands
        if not request > 0.0:
            governor.running = False
            return
        pulses = out.throttle_us if governor.by_throttle else out.servo_us
        governor.engage(round(float(pulses[max(0, step - 1)])))
        pulses[step] = governor.step(round(request), self._period_ticks)

    def _watch_tach(self, now_s: float) -> None:
        edges = self._plant.take_edges()
        if edges:
            self.edges_s.extend(self._transducers.tach_times_s(np.array(edges)).tolist())
        if len(self.edges_s) < 2 or now_s - self.edges_s[-1] > self._rest_s:
            self._period_ticks = 0
        elif edges:
            self._period_ticks = round((self.edges_s[-1] - self.edges_s[-2]) / TICK_S)
