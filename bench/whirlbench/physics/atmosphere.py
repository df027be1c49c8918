"""Air: the standard atmosphere, moist air as metrologists weigh it, and the speed of sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.units import STANDARD_GRAVITY_M_S2

ZERO_CELSIUS_K = 273.15

# ISO 2533 / ICAO standard atmosphere, troposphere
SEA_LEVEL_TEMPERATURE_K = 288.15
SEA_LEVEL_PRESSURE_PA = 101325.0
LAPSE_K_M = 0.0065
DRY_AIR_J_KG_K = 287.05287
DRY_AIR_GAMMA = 1.4
EARTH_RADIUS_M = 6356766.0  # the standard's nominal radius
TROPOPAUSE_M = 11000.0

# CIPM-2007, Picard et al., Metrologia 45 (2008) 149; coefficients from memory
GAS_CONSTANT_J_MOL_K = 8.314472
WATER_KG_MOL = 18.01528e-3


@dataclass(frozen=True)
class AirState:
    """Air at a place: each field a float or an array of one common shape."""

    temperature_k: np.ndarray | float
    pressure_pa: np.ndarray | float
    density_kg_m3: np.ndarray | float
    speed_of_sound_m_s: np.ndarray | float


def geopotential_m(height_m: np.ndarray | float) -> np.ndarray | float:
    """Geopotential height in m of a geometric height in m above sea level. Source: ISO 2533."""
    return EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)


def standard_air(height_m: np.ndarray | float) -> AirState:
    """Standard air at a geometric height in m (scalar or array), from -2000 to 11000 m.

    Heights outside raise ValueError; NaN stays NaN. Source: ISO 2533, troposphere.

    >>> round(float(standard_air(0.0).density_kg_m3), 5)
    1.225
    """
    height = geopotential_m(np.asarray(height_m, dtype=float))
    if np.any(height < -2000.0) or np.any(height > TROPOPAUSE_M):
        raise ValueError(f"height {height_m} m is outside the troposphere: -2000 to 11000 m")
    temperature = SEA_LEVEL_TEMPERATURE_K - LAPSE_K_M * height
    exponent = STANDARD_GRAVITY_M_S2 / (LAPSE_K_M * DRY_AIR_J_KG_K)
    pressure = SEA_LEVEL_PRESSURE_PA * (temperature / SEA_LEVEL_TEMPERATURE_K) ** exponent
    density = pressure / (DRY_AIR_J_KG_K * temperature)
    return AirState(temperature, pressure, density, np.sqrt(DRY_AIR_GAMMA * DRY_AIR_J_KG_K * temperature))


def moist_air(
    temperature_c: np.ndarray | float, pressure_pa: np.ndarray | float, humidity: np.ndarray | float
) -> AirState:
    """Air of a temperature in degrees Celsius, pressure in Pa and relative humidity from 0 to 1.

    Density by the CIPM-2007 equation with 400 ppm carbon dioxide: good to 2e-5 between 15 and 27 C and 600 to 1100
    hPa, and used here outside that too. Speed of sound by the ideal mixture of dry air and vapour, which is within
    about 0.1 % in open air. NaN stays NaN. Source: Picard et al., Metrologia 45 (2008) 149, coefficients from memory.

    >>> round(float(moist_air(20.0, 101325.0, 0.5).density_kg_m3), 6)
    1.199314
    """
    temperature_c, pressure_pa = np.asarray(temperature_c, dtype=float), np.asarray(pressure_pa, dtype=float)
    kelvin = temperature_c + ZERO_CELSIUS_K
    vapour = vapour_mole_fraction(temperature_c, pressure_pa, humidity)
    dry_kg_mol = 28.96546e-3  # dry air with 400 ppm carbon dioxide
    ideal = (
        pressure_pa * dry_kg_mol / (GAS_CONSTANT_J_MOL_K * kelvin) * (1.0 - vapour * (1.0 - WATER_KG_MOL / dry_kg_mol))
    )
    density = ideal / _compressibility(temperature_c, pressure_pa, vapour)
    return AirState(kelvin, pressure_pa, density, _speed_of_sound(kelvin, vapour, dry_kg_mol))


def saturation_pressure_pa(temperature_c: np.ndarray | float) -> np.ndarray | float:
    """Saturation vapour pressure over water in Pa at a temperature in degrees Celsius. Source: as ``moist_air``."""
    kelvin = np.asarray(temperature_c, dtype=float) + ZERO_CELSIUS_K
    return np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)


def vapour_mole_fraction(
    temperature_c: np.ndarray | float, pressure_pa: np.ndarray | float, humidity: np.ndarray | float
) -> np.ndarray | float:
    """Mole fraction of water vapour for a relative humidity from 0 to 1. Source: as ``moist_air``."""
    temperature_c = np.asarray(temperature_c, dtype=float)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    return humidity * enhancement * saturation_pressure_pa(temperature_c) / pressure_pa


def _compressibility(temperature_c: np.ndarray, pressure_pa: np.ndarray, vapour: np.ndarray | float) -> np.ndarray:
    """Compressibility factor Z of moist air, CIPM-2007."""
    t, ratio = temperature_c, pressure_pa / (temperature_c + ZERO_CELSIUS_K)
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    first = first + (5.707e-6 - 2.051e-8 * t) * vapour + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    return 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)


def _speed_of_sound(kelvin: np.ndarray, vapour: np.ndarray | float, dry_kg_mol: float) -> np.ndarray:
    """Speed of sound in m/s of the ideal mixture: cp is 7/2 R for dry air and 4 R for vapour."""
    cp_over_r = 3.5 * (1.0 - vapour) + 4.0 * vapour
    molar_mass = dry_kg_mol * (1.0 - vapour) + WATER_KG_MOL * vapour
    gamma = cp_over_r / (cp_over_r - 1.0)
    return np.sqrt(gamma * GAS_CONSTANT_J_MOL_K * kelvin / molar_mass)
