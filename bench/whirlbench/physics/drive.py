"""Electric drive in closed form: out-runner, gear, speed controller as a duty ratio, pack with resistance.

Steady relations only; SI inside, with speeds in rad/s of the propeller shaft unless a name says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

ROUNDING = 1e-9  # a duty above one by no more is one: wide open is a point that people ask for
CELL_CHARGE = (0.0, 0.05, 0.15, 0.35, 0.60, 0.85, 1.0)
CELL_V = (3.20, 3.50, 3.66, 3.75, 3.87, 4.03, 4.20)


@dataclass(frozen=True)
class Drive:
    """What turns the shaft, lumped into five numbers.

    ``volt_s_per_rad`` is back-emf per shaft speed and, by energy, also torque per motor current before gear loss.
    ``no_load_current_a`` is the current the motor needs for its own iron and bearing loss.
    """

    volt_s_per_rad: float
    motor_ohm: float
    pack_ohm: float
    no_load_current_a: float
    gear_efficiency: float = 1.0


@dataclass(frozen=True)
class DriveState:
    """Steady electric state; each field a float or an array ``(n,)``, NaN where the drive cannot deliver."""

    duty: np.ndarray
    motor_current_a: np.ndarray
    pack_current_a: np.ndarray
    pack_voltage_v: np.ndarray


def torque_constant(kv_rpm_per_v: float) -> float:
    """Torque per ampere in N m/A of a motor with speed constant ``kv_rpm_per_v`` (> 0).

    Source: Kt = 60 / (2 pi Kv), textbook energy identity; Kt equals the back-emf constant in V s/rad.

    >>> round(torque_constant(1000.0), 8)
    0.0095493
    """
    return 60.0 / (2.0 * math.pi * kv_rpm_per_v)


def drive_torque_n_m(drive: Drive, motor_current_a: np.ndarray) -> np.ndarray:
    """Torque at the propeller shaft for a motor current in A (any shape); no-load current already taken off."""
    return drive.volt_s_per_rad * drive.gear_efficiency * (motor_current_a - drive.no_load_current_a)


def motor_current_a(drive: Drive, duty: np.ndarray, open_voltage_v: float, speed_rad_s: np.ndarray) -> np.ndarray:
    """Motor current in A at a duty (0..1) and shaft speed; zero where the back-emf is higher (no braking).

    The controller is an ideal buck stage: motor voltage = duty * pack voltage, pack current = duty * motor current,
    hence I = (duty E - k w) / (R_motor + duty^2 R_pack). Source: averaged converter model, any power-electronics text.
    """
    drop = drive.motor_ohm + duty * duty * drive.pack_ohm
    result: np.ndarray = np.maximum(0.0, (duty * open_voltage_v - drive.volt_s_per_rad * speed_rad_s) / drop)
    return result


def state_for_torque(
    drive: Drive, torque_n_m: np.ndarray, speed_rad_s: np.ndarray, open_voltage_v: float
) -> DriveState:
    """Duty, currents and pack voltage that hold ``torque_n_m`` at ``speed_rad_s`` (arrays of one shape).

    NaN where no duty between 0 and 1 delivers it; NaN inputs stay NaN. Source: the smaller root of
    R_pack I d^2 - E d + (k w + I R_motor) = 0, from ``motor_current_a`` solved for the duty.
    """
    current = np.asarray(torque_n_m) / (drive.volt_s_per_rad * drive.gear_efficiency) + drive.no_load_current_a
    motor_voltage = drive.volt_s_per_rad * np.asarray(speed_rad_s) + current * drive.motor_ohm
    root = open_voltage_v**2 - 4.0 * drive.pack_ohm * current * motor_voltage
    with np.errstate(invalid="ignore"):
        duty = 2.0 * motor_voltage / (open_voltage_v + np.sqrt(root))  # stable form, also for R_pack = 0
    duty = np.where((duty >= 0.0) & (duty <= 1.0 + ROUNDING), np.minimum(duty, 1.0), np.nan)
    pack_current = duty * current
    return DriveState(duty, current + 0.0 * duty, pack_current, open_voltage_v - drive.pack_ohm * pack_current)


def cell_voltage_v(charge: np.ndarray) -> np.ndarray:
    """Open-circuit voltage of one lithium-polymer cell at a state of charge from 0 to 1 (clipped).

    Common practice, no source: 4.20 V full, 3.7 V nominal, a flat middle and a steep end below 15 %.
    """
    result: np.ndarray = np.interp(charge, CELL_CHARGE, CELL_V)
    return result
