"""From measured pack current and voltage to shaft power by the drive's own constants, read from a rig."""

from __future__ import annotations

import numpy as np

from whirlbench.physics.drive import Drive, torque_constant
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm


def drive_of(rig: Rig, pack_ohm: float | None = None) -> Drive | None:
    """The rig's drive, or None when ``motor.kv_rpm_per_v``, ``resistance_ohm`` or ``no_load_current_a`` is missing.

    ``pack_ohm`` replaces ``pack.resistance_ohm``, for a resistance that was measured in the run.
    """
    motor = rig.motor
    if motor.kv_rpm_per_v is None or motor.resistance_ohm is None or motor.no_load_current_a is None:
        return None
    pack = rig.pack.resistance_ohm or 0.0 if pack_ohm is None else pack_ohm
    volt_s_per_rad = torque_constant(motor.kv_rpm_per_v) * motor.gear_ratio
    return Drive(volt_s_per_rad, motor.resistance_ohm, pack, motor.no_load_current_a)


def motor_current_from_power_a(drive: Drive, power_w: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Motor current in A that draws the electrical power ``power_w`` at a shaft speed; arrays of one shape.

    Solves R I^2 + k w I = P for I: the controller passes power on without loss, as in ``whirlbench.physics.drive``.
    """
    emf_v = drive.volt_s_per_rad * rad_s_from_rpm(np.asarray(rpm, dtype=float))
    result: np.ndarray = 2.0 * power_w / (emf_v + np.sqrt(emf_v**2 + 4.0 * drive.motor_ohm * np.maximum(power_w, 0.0)))
    return result


def shaft_power_w(drive: Drive, power_w: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Power in W at the propeller shaft for an electrical power in W; copper and no-load losses taken off."""
    current = motor_current_from_power_a(drive, power_w, rpm)
    torque = drive.volt_s_per_rad * drive.gear_efficiency * (current - drive.no_load_current_a)
    result: np.ndarray = torque * rad_s_from_rpm(np.asarray(rpm, dtype=float))
    return result


def shaft_power_slope(drive: Drive, power_w: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """d(shaft power) / d(electrical power) at constant speed, for carrying a measurement error across."""
    step = 0.001 * np.maximum(power_w, 1.0)
    rise = shaft_power_w(drive, power_w + step, rpm) - shaft_power_w(drive, power_w - step, rpm)
    result: np.ndarray = rise / (2.0 * step)
    return result


def electrical_power_w(drive: Drive, torque_n_m: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Electrical power in W that holds a shaft torque in N m at a speed: the inverse of ``shaft_power_w``."""
    current = torque_n_m / (drive.volt_s_per_rad * drive.gear_efficiency) + drive.no_load_current_a
    emf_v = drive.volt_s_per_rad * rad_s_from_rpm(np.asarray(rpm, dtype=float))
    return current * (emf_v + current * drive.motor_ohm)
