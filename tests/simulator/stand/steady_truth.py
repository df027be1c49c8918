"""What is really so about a simulated stand: its steady map and its linear dynamics, to judge analyses against.

No gust, no free play, no slow sag: the plant's expectation, from the same coefficients and drive relations it runs on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.physics.coefficients import thrust_n, torque_n_m
from whirlbench.physics.drive import drive_torque_n_m, motor_current_a, state_for_torque
from whirlbench.simulator.stand import PlantSettings
from whirlbench.simulator.stand.propeller import CoefficientTable
from whirlbench.units import rad_s_from_rpm

TOP_RPM = 20000.0
HALVINGS = 60


@dataclass(frozen=True)
class SteadyMap:
    """Steady operation at points of rpm and pitch; arrays of one shape, NaN where the drive cannot hold the point.

    ``current_a`` and ``power_w`` are the pack's; ``shaft_power_w`` is what the propeller takes.
    """

    rpm: np.ndarray
    pitch_deg: np.ndarray
    ct: np.ndarray
    cp: np.ndarray
    thrust_n: np.ndarray
    torque_n_m: np.ndarray
    shaft_power_w: np.ndarray
    duty: np.ndarray
    throttle_us: np.ndarray
    motor_current_a: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    power_w: np.ndarray


@dataclass(frozen=True)
class LinearDynamics:
    """The plant linearised at a point: from pulses to rpm, each channel a gain, lags in series and a dead time.

    throttle: gain / ((rotor s + 1) (lag s + 1)) exp(-dead s); pitch: gain / ((rotor s + 1) (servo s + 1)).
    The controller's own governor is not in it: this is the rotor behind an open controller.
    """

    rpm: float
    pitch_deg: float
    throttle_gain_rpm_per_us: float
    pitch_gain_rpm_per_deg: float
    rotor_time_constant_s: float
    controller_lag_s: float
    controller_dead_time_s: float
    servo_lag_s: float


def coefficients(settings: PlantSettings) -> CoefficientTable:
    """The true CT and CP against blade angle and rpm: ``.ct(pitch_deg, rpm)``, ``.cp(pitch_deg, rpm)``."""
    return settings.blades.table


def loads(settings: PlantSettings, rpm: np.ndarray, pitch_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """True thrust in N and torque in N m at speeds in rpm and blade angles in degrees (shapes that broadcast)."""
    table, air, rpm = settings.blades.table, settings.air.density_kg_m3, np.asarray(rpm, float)
    thrust = thrust_n(table.ct(pitch_deg, rpm), rpm, settings.diameter_m, air)
    return thrust, torque_n_m(table.cp(pitch_deg, rpm), rpm, settings.diameter_m, air)  # type: ignore[return-value]


def steady_at_rpm(
    settings: PlantSettings, rpm: np.ndarray, pitch_deg: np.ndarray, open_voltage_v: float | None = None
) -> SteadyMap:
    """The steady map at given speeds and true blade angles (shapes that broadcast).

    ``open_voltage_v``: of the pack, default that of the charge a run begins with.
    """
    rpm, pitch_deg = (np.array(item, float) for item in np.broadcast_arrays(rpm, pitch_deg))
    volts = settings.open_voltage_v if open_voltage_v is None else open_voltage_v
    thrust, torque = loads(settings, rpm, pitch_deg)
    electric = state_for_torque(settings.drive, torque, rad_s_from_rpm(rpm), volts)
    idle = settings.controller.idle_current_a
    current, voltage = electric.pack_current_a + idle, electric.pack_voltage_v - settings.drive.pack_ohm * idle
    throttle = settings.rig.throttle
    table = settings.blades.table
    return SteadyMap(
        rpm=rpm,
        pitch_deg=pitch_deg,
        ct=table.ct(pitch_deg, rpm),
        cp=table.cp(pitch_deg, rpm),
        thrust_n=thrust,
        torque_n_m=torque,
        shaft_power_w=torque * rad_s_from_rpm(rpm),
        duty=electric.duty,
        throttle_us=throttle.min_us + electric.duty * (throttle.max_us - throttle.min_us),
        motor_current_a=electric.motor_current_a,
        current_a=current,
        voltage_v=voltage,
        power_w=current * voltage,
    )


def steady_at_throttle(
    settings: PlantSettings, throttle_us: np.ndarray, pitch_deg: np.ndarray, open_voltage_v: float | None = None
) -> SteadyMap:
    """The steady map an open (not governing) controller reaches at throttle pulses and true blade angles.

    Bisection on the torque balance; a pulse too small to turn the rotor gives rpm 0.
    """
    throttle_us, pitch_deg = np.broadcast_arrays(np.asarray(throttle_us, float), np.asarray(pitch_deg, float))
    volts = settings.open_voltage_v if open_voltage_v is None else open_voltage_v
    throttle = settings.rig.throttle
    duty = np.clip((throttle_us - throttle.min_us) / (throttle.max_us - throttle.min_us), 0.0, 1.0)
    low, high = np.zeros(duty.shape), np.full(duty.shape, TOP_RPM)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        faster = _torque_balance(settings, duty, volts, middle, pitch_deg) > 0.0
        low, high = np.where(faster, middle, low), np.where(faster, high, middle)
    return steady_at_rpm(settings, low, pitch_deg, volts)


def linear_dynamics(
    settings: PlantSettings, rpm: float, pitch_deg: float, open_voltage_v: float | None = None
) -> LinearDynamics:
    """Gains and time constants about the steady point at ``rpm`` and ``pitch_deg``; NaN where it cannot be held."""
    volts = settings.open_voltage_v if open_voltage_v is None else open_voltage_v
    duty = float(steady_at_rpm(settings, np.array(rpm), np.array(pitch_deg), volts).duty)

    def slope(d_duty: float, d_rpm: float, d_pitch: float) -> float:
        ahead = _torque_balance(settings, duty + d_duty, volts, rpm + d_rpm, pitch_deg + d_pitch)
        behind = _torque_balance(settings, duty - d_duty, volts, rpm - d_rpm, pitch_deg - d_pitch)
        return float(ahead - behind) / (2.0 * (d_duty + d_rpm + d_pitch))

    by_duty, by_rpm, by_pitch = slope(1e-4, 0.0, 0.0), slope(0.0, 1.0, 0.0), slope(0.0, 0.0, 0.13)
    throttle = settings.rig.throttle
    return LinearDynamics(
        rpm=rpm,
        pitch_deg=pitch_deg,
        throttle_gain_rpm_per_us=-by_duty / by_rpm / (throttle.max_us - throttle.min_us),
        pitch_gain_rpm_per_deg=-by_pitch / by_rpm,
        rotor_time_constant_s=-settings.inertia_kg_m2 * rad_s_from_rpm(1.0) / by_rpm,
        controller_lag_s=settings.controller.lag_s,
        controller_dead_time_s=settings.controller.dead_time_s,
        servo_lag_s=settings.servo.lag_s,
    )


def _torque_balance(
    settings: PlantSettings, duty: np.ndarray | float, volts: float, rpm: np.ndarray | float, pitch: np.ndarray | float
) -> np.ndarray:
    """Driving minus resisting torque in N m; zero where the stand runs steadily."""
    current = motor_current_a(settings.drive, np.asarray(duty), volts, rad_s_from_rpm(np.asarray(rpm, float)))
    return drive_torque_n_m(settings.drive, current) - loads(settings, np.asarray(rpm, float), np.asarray(pitch))[1]
