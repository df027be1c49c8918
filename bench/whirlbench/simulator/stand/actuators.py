"""What acts on the rotor between the pulses and the shaft: speed controller, pitch servo with its link, pack."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from whirlbench.physics.drive import CELL_CHARGE, CELL_V
from whirlbench.simulator.stand.faults import Effects
from whirlbench.simulator.stand.interpolation import Line
from whirlbench.simulator.stand.settings import PlantSettings

TWIST_DEG_PER_RAD2 = 2.4e-4  # deg/s per (rad/s)^2: how quickly the twisting moment takes up play


class SpeedController:
    """Throttle pulse to duty: dead time, end points, an own governor where the rig says so, and a lag.

    Below ``throttle.min_us`` the bridge is open at once: the motor coasts and takes no current.
    """

    def __init__(self, settings: PlantSettings, step_s: float) -> None:
        own, throttle = settings.controller, settings.rig.throttle
        self._step_s = step_s
        delay = max(1, round(own.dead_time_s / step_s))
        self._delay = deque([throttle.safe_us] * delay, maxlen=delay)
        self._min_us, self._span_us = throttle.min_us, throttle.max_us - throttle.min_us
        self._share = -math.expm1(-step_s / own.lag_s)
        self._governs = settings.rig.speed_controller.governs
        self._request = Line(*np.asarray(request_table(settings)).T)
        self._kp, self._ki = own.governor_kp, own.governor_ki
        self._filter = -math.expm1(-step_s / own.governor_filter_s)
        self._integral = self._seen_rpm = 0.0
        self.duty = 0.0

    def step(self, pulse_us: float, rpm: float, effects: Effects) -> float:
        """Duty after one more step with ``pulse_us`` at its input and the shaft at ``rpm``."""
        pulse = self._delay[0]
        self._delay.append(pulse_us)
        self._seen_rpm += self._filter * (rpm - self._seen_rpm)
        if pulse < self._min_us:
            self._integral = self.duty = 0.0
            return 0.0
        if self._governs:
            target = self._governed(pulse, effects.integral_factor)
        else:
            target = (pulse - self._min_us) / self._span_us + effects.duty_swing
        target = max(target, effects.least_duty)
        self.duty += self._share * (min(1.0, max(0.0, target)) - self.duty)
        return self.duty

    def _governed(self, pulse: float, integral_factor: float) -> float:
        """The hidden PI on the requested speed; its integrator stops while the duty is at an end."""
        error = self._request.at(pulse) - self._seen_rpm
        target = self._kp * error + self._integral
        if (target < 1.0 or error < 0.0) and (target > 0.0 or error > 0.0):
            self._integral += self._ki * integral_factor * error * self._step_s
        return target


class PitchServo:
    """Servo arm with lag, slew and dead band; a link with free play whose fine side the twisting moment seeks."""

    def __init__(self, settings: PlantSettings, step_s: float) -> None:
        own = settings.servo
        self._slew, self._dead_us = own.slew_us_per_s * step_s, own.dead_band_us
        self._stops_us, self._asked_us = own.stops_us, 0.0
        self._share = -math.expm1(-step_s / own.lag_s)
        self._half_play, self._offset, self._step_s = own.free_play_deg / 2.0, own.offset_deg, step_s
        self._angle = Line(*settings.pitch_table())
        self._arm = Line(*settings.pitch_table(), prolonged=True)
        self.position_us = float(settings.rig.pitch.safe_us or settings.pitch_table()[0][0])
        self.pitch_deg = self._blade = self._angle.at(self.position_us) + self._offset

    @property
    def arm_deg(self) -> float:
        """Blade angle that the servo's own potentiometer tells: it does not know the link or the table's error."""
        return self._arm.at(self.position_us)

    @property
    def stalled(self) -> bool:
        """Whether the servo pushes against a mechanical stop."""
        low, high = self._stops_us
        asked_us = self._asked_us
        return asked_us < low - self._dead_us or asked_us > high + self._dead_us

    def step(self, command_us: float, square_rad2_s2: float, effects: Effects, jitter: float) -> float:
        """Blade angle after one more step with ``command_us`` at the servo and the shaft at the square of its speed."""
        low, high = self._stops_us
        self._asked_us = command_us
        error = (low if command_us < low else high if command_us > high else command_us) - self.position_us
        if not effects.servo_stuck and not -self._dead_us < error < self._dead_us:
            move = self._share * error
            self.position_us += self._slew if move > self._slew else -self._slew if move < -self._slew else move
        link = self._angle.at(self.position_us) + self._offset
        blade = self._blade - TWIST_DEG_PER_RAD2 * square_rad2_s2 * self._step_s
        low = link - self._half_play - effects.link_play_deg
        high = link + self._half_play
        self._blade = low if blade < low else high if blade > high else blade
        self.pitch_deg = self._blade + effects.link_jitter_deg * jitter
        return self.pitch_deg


class Pack:
    """Open-circuit voltage that falls with charge, and a part of the sag that builds up slowly."""

    def __init__(self, settings: PlantSettings) -> None:
        self._settings = settings
        self._cell = Line(np.array(CELL_CHARGE), np.array(CELL_V))
        self.charge = settings.charge
        self._slow_v = 0.0
        self.open_v = settings.open_voltage_v

    def drain(self, current_a: float, duration_s: float) -> None:
        """Takes ``current_a`` for ``duration_s``; at an empty pack the voltage stays at the bottom of its curve."""
        own = self._settings
        self.charge = max(0.0, self.charge - current_a * duration_s / (3600.0 * own.capacity_ah))
        goal = own.polarisation_share * own.drive.pack_ohm * current_a
        self._slow_v += (goal - self._slow_v) * -math.expm1(-duration_s / own.polarisation_s)
        self.open_v = own.cells * self._cell.at(self.charge) - self._slow_v


def request_table(settings: PlantSettings) -> tuple[tuple[float, float], ...]:
    """What a pulse asks of a governing controller: the rig's table, else 1500 to 6000 rpm over the throttle's span."""
    throttle = settings.rig.throttle
    default = ((throttle.min_us, 1500.0), (throttle.max_us, 6000.0))
    return settings.rig.speed_controller.request_table or default
