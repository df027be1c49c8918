"""Conversions between SI and the units the trade keeps: rpm, degrees of blade angle, microseconds of servo pulse."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np

STANDARD_GRAVITY_M_S2 = 9.80665  # CGPM 1901, exact by definition

# Pulse that may count as "motor stopped": rig reader, limit table and sketch share these. Common practice, no source:
# a one-way speed controller starts at 1050 to 1250 us as delivered, and 1000 us stops it.
LEAST_SAFE_PULSE_US = 800
SAFE_PULSE_CAP_US = 1200
MIDDLE_NEUTRAL_CAP_US = 1600  # where neutral lies in the middle, at 1500 us: a build switch of the sketch

Number = TypeVar("Number", float, np.ndarray)


def rad_s_from_rpm(speed_rpm: Number) -> Number:
    """Angular velocity in rad/s of a speed in rpm; arrays keep their shape, NaN stays NaN."""
    return speed_rpm * (2.0 * math.pi / 60.0)


def velocity_mm_s_from_g(acceleration_g: Number, frequency_hz: Number) -> Number:
    """Velocity amplitude in mm/s of a sinusoidal acceleration in g (peak gives peak, rms gives rms).

    ``frequency_hz`` must be above zero. Source: v = a / (2 pi f), any vibration handbook.
    """
    return acceleration_g * (STANDARD_GRAVITY_M_S2 * 1000.0) / (2.0 * math.pi * frequency_hz)


def ips_from_mm_s(velocity_mm_s: Number) -> Number:
    """Velocity in inches per second; 25.4 mm are one inch by definition."""
    return velocity_mm_s / 25.4
