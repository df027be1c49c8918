"""The stand in time: pulses in; rotor, currents, thrust, tach edges and shaking out.

Fixed internal step; whatever the size of the caller's steps, the same seed gives the same run. Speed is integrated
with a linearly implicit trapezoid (second order, Rosenbrock's method with one stage; any text on stiff equations).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.simulator.stand.actuators import Pack, PitchServo, SpeedController
from whirlbench.simulator.stand.faults import Fault, FaultList
from whirlbench.simulator.stand.history import Row, StateHistory
from whirlbench.simulator.stand.propeller import REFERENCE_RPM
from whirlbench.simulator.stand.settings import PlantSettings
from whirlbench.simulator.stand.shaft import Shaft
from whirlbench.simulator.stand.vibration import Motion, StandVibration
from whirlbench.simulator.stand.wind import Gusts

__all__ = ["Plant", "PlantSettings", "PlantState", "StateHistory"]

STEP_S = 0.001
SLOW_EVERY = 10  # steps between updates of what changes slowly: charge, gusts, faults, jitter of a loose link
RPM_PER_RAD_S = 60.0 / (2.0 * math.pi)
LOWEST_GUST_RPM = 1500.0  # below, the disk's own inflow no longer tells how much a gust matters
LINK_JITTER_S = 0.03


@dataclass(frozen=True)
class PlantState:
    """The true state at ``time_s``; thrust and torque are the aerodynamic ones."""

    time_s: float
    rpm: float
    shaft_angle_rad: float
    pitch_deg: float
    servo_position_us: float
    current_a: float
    motor_current_a: float
    voltage_v: float
    duty: float
    thrust_n: float
    torque_n_m: float
    charge: float
    supply_down: bool


class Plant:
    """A simulated stand; deterministic for a seed.

    ``settings``: the truth. ``rng``: the only source of chance. ``faults``: what will go wrong, and when.
    ``keep``: keep the whole history for the arrays of a run, instead of the last few seconds.
    """

    def __init__(
        self, settings: PlantSettings, rng: np.random.Generator, faults: Sequence[Fault] = (), keep: bool = False
    ) -> None:
        self.settings = settings
        gust_rng, jitter_rng, tach_rng, self._vibration_rng = rng.spawn(4)
        self.faults = FaultList(tuple(faults))
        self.effects = self.faults.at(0.0)
        self.controller = SpeedController(settings, STEP_S)
        self.servo = PitchServo(settings, STEP_S)
        self.pack = Pack(settings)
        self._gusts = Gusts(gust_rng, STEP_S * SLOW_EVERY, settings.air.gust_s)
        self._jitters = Gusts(jitter_rng, STEP_S * SLOW_EVERY, LINK_JITTER_S)
        self._vibration: StandVibration | None = None
        self._shaft = Shaft(settings.rig.tach.pulses_per_rev, tach_rng, STEP_S)
        self._step = 0
        self._motor_current = self._gust = self._jitter = 0.0
        self.history = StateHistory(self._row(0.0, 0.0, 0.0), keep)

    @property
    def time_s(self) -> float:
        """Time of the latest whole step, in s."""
        return self._step * STEP_S

    @property
    def state(self) -> PlantState:
        """The true state after the latest step."""
        row = self.history.last
        return PlantState(
            time_s=self.time_s,
            rpm=self._shaft.speed_rad_s * RPM_PER_RAD_S,
            shaft_angle_rad=self._shaft.angle_rad,
            pitch_deg=row[StateHistory.PITCH],
            servo_position_us=row[StateHistory.SERVO],
            current_a=row[StateHistory.CURRENT],
            motor_current_a=self._motor_current,
            voltage_v=row[StateHistory.VOLTAGE],
            duty=self.controller.duty,
            thrust_n=row[StateHistory.THRUST],
            torque_n_m=row[StateHistory.TORQUE],
            charge=self.pack.charge,
            supply_down=self.effects.supply_down,
        )

    def advance(self, to_s: float, throttle_us: float, servo_us: float) -> None:
        """Runs whole steps up to ``to_s``, never past it, with the two pulses held; a time in the past does nothing."""
        last = math.floor(to_s / STEP_S + 1e-6)
        while self._step < last:
            if self._step % SLOW_EVERY == 0:
                self._update_slowly()
            self._advance_step(throttle_us, servo_us)

    def take_edges(self) -> list[float]:
        """Times in s of the tach edges since the last call, exact inside a step; none while a fault swallows them."""
        return self._shaft.take_edges()

    def acceleration_g(self, times_s: np.ndarray) -> np.ndarray:
        """Acceleration in g, ``(n, 3)``, at times that go on evenly from those of the last call.

        The first call with at least two times sets the sample rate. Times must lie within what was advanced and not
        more than about four seconds back; outside, the motion at the nearest kept step is used.
        """
        if self._vibration is None:
            rate_hz = (len(times_s) - 1) / (times_s[-1] - times_s[0])
            self._vibration = StandVibration(self.settings.stand, self._vibration_rng, rate_hz)
        rows = self.history.between(float(times_s[0]), float(times_s[-1]), STEP_S)
        return self._vibration.samples_g(self._motion(rows, times_s), self.faults.over(times_s))

    def motion(self, times_s: np.ndarray) -> Motion:
        """Angle and speed of the shaft at any times within the kept history."""
        return self._motion(self.history.rows(), times_s)

    def _motion(self, rows: np.ndarray, times_s: np.ndarray) -> Motion:
        angle = np.interp(times_s, rows[:, StateHistory.TIME], rows[:, StateHistory.ANGLE])
        return Motion(times_s, angle, np.interp(times_s, rows[:, StateHistory.TIME], rows[:, StateHistory.SPEED]))

    def _update_slowly(self) -> None:
        """What changes slowly: faults, gusts, play in the link, the pack."""
        self.history.tidy()
        self.effects = self.faults.at(self._step * STEP_S)
        self._gust = self.settings.air.gust_share * self._gusts.next()
        self._jitter = self._jitters.next()
        self.pack.drain(self.history.last[StateHistory.CURRENT], STEP_S * SLOW_EVERY)

    def _advance_step(self, throttle_us: float, servo_us: float) -> None:
        speed = self._shaft.speed_rad_s
        duty = self.controller.step(throttle_us, speed * RPM_PER_RAD_S, self.effects)
        pitch = self.servo.step(servo_us, speed * speed, self.effects, self._jitter)
        thrust, torque = self._air_loads(speed, pitch)
        push, yielding = self._motor(duty, speed)
        slope = (yielding + 2.0 * torque / (speed + 1.0)) * 0.5 * STEP_S / self.settings.inertia_kg_m2
        gain = (push - torque) * STEP_S / self.settings.inertia_kg_m2 / (1.0 + slope)
        self._shaft.turn(max(0.0, speed + gain), self._step * STEP_S, self.effects)
        self._step += 1
        self.history.append(self._row(duty * self._motor_current, thrust, torque))

    def _motor(self, duty: float, speed_rad_s: float) -> tuple[float, float]:
        """Torque at the shaft in N m, and how much of it a rad/s more would cost; no braking.

        One number at a time what ``physics.drive.motor_current_a`` is for arrays.
        """
        drive = self.settings.drive
        drop = drive.motor_ohm + duty * duty * drive.pack_ohm
        current = (duty * self.pack.open_v - drive.volt_s_per_rad * speed_rad_s) / drop
        per_amp = drive.volt_s_per_rad * drive.gear_efficiency
        self._motor_current = current if current > 0.0 else 0.0
        yielding = per_amp * drive.volt_s_per_rad / drop if current > 0.0 else 0.0
        return per_amp * (self._motor_current - drive.no_load_current_a), yielding

    def _row(self, drive_current_a: float, thrust_n: float, torque_n_m: float) -> Row:
        """This step for the history."""
        current = drive_current_a + self.settings.controller.idle_current_a
        voltage = self.pack.open_v - self.settings.drive.pack_ohm * current
        shaft, servo = self._shaft, self.servo
        return (
            self._step * STEP_S,
            shaft.angle_rad,
            shaft.speed_rad_s,
            servo.pitch_deg,
            servo.position_us,
            current,
            voltage,
            thrust_n,
            torque_n_m,
        )

    def _air_loads(self, speed_rad_s: float, pitch_deg: float) -> tuple[float, float]:
        """Thrust in N and torque in N m at this instant, with gusts and with the blades that are left."""
        settings = self.settings
        rpm = speed_rad_s * RPM_PER_RAD_S
        ct, cp = settings.blades.table.at(pitch_deg, rpm)
        gust = self._gust * REFERENCE_RPM / (rpm if rpm > LOWEST_GUST_RPM else LOWEST_GUST_RPM)
        left = 1.0 - self.effects.blades_lost / settings.blades.count
        turns = speed_rad_s / (2.0 * math.pi)
        push = settings.air.density_kg_m3 * turns * turns * settings.diameter_m**4 * left
        return (
            push * ct * (1.0 + gust),
            push * settings.diameter_m * cp / (2.0 * math.pi) * (1.0 + settings.air.gust_torque_share * gust),
        )
