"""Standard and moist air, ISA and AIR rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ambiance import Atmosphere

from whirlbench.physics.atmosphere import geopotential_m, moist_air, standard_air


@pytest.mark.parametrize(
    ("height_m", "density", "sound"),
    [
        pytest.param(0.0, 1.22500, 340.294, id="ISA-0"),
        pytest.param(500.0, 1.16727, 338.370, id="ISA-500"),
        pytest.param(1000.0, 1.11166, 336.435, id="ISA-1000"),
        pytest.param(2000.0, 1.00655, 332.532, id="ISA-2000"),
    ],
)
def test_standard_air_at_geometric_height(height_m: float, density: float, sound: float) -> None:
    """ISO 2533, through an independent package and recomputed (L, R)."""
    state = standard_air(height_m)
    assert state.density_kg_m3 == pytest.approx(density, abs=1e-5)
    assert state.speed_of_sound_m_s == pytest.approx(sound, abs=1e-3)


def test_standard_air_at_geopotential_2000_m() -> None:
    """ISA-gp, ISO 2533 (R): 2000 m geopotential is 2000.63 m geometric."""
    geometric = 6356766.0 * 2000.0 / (6356766.0 - 2000.0)
    assert geopotential_m(geometric) == pytest.approx(2000.0, abs=1e-9)
    assert standard_air(geometric).density_kg_m3 == pytest.approx(1.00649, abs=1e-5)
    assert standard_air(geometric).speed_of_sound_m_s == pytest.approx(332.529, abs=1e-3)


def test_standard_air_agrees_with_an_independent_package() -> None:
    """Independent reference: `ambiance`, over the whole troposphere."""
    height = np.linspace(-1500.0, 10900.0, 60)
    ours, theirs = standard_air(height), Atmosphere(height)
    assert ours.density_kg_m3 == pytest.approx(theirs.density, rel=1e-6)
    assert ours.pressure_pa == pytest.approx(theirs.pressure, rel=1e-6)
    assert ours.speed_of_sound_m_s == pytest.approx(theirs.speed_of_sound, rel=1e-6)


MOIST = [
    pytest.param(20.0, 101325.0, 0.50, 1.199314, id="AIR-1"),
    pytest.param(20.0, 101325.0, 0.00, 1.204557, id="AIR-2"),
    pytest.param(35.0, 101325.0, 0.90, 1.124221, id="AIR-3"),
    pytest.param(5.0, 95000.0, 0.40, 1.188777, id="AIR-4"),
]


@pytest.mark.parametrize(("celsius", "pascal", "humidity", "density"), MOIST)
def test_moist_air(celsius: float, pascal: float, humidity: float, density: float) -> None:
    """CIPM-2007, Picard et al., Metrologia 45 (2008) 149: paper found, coefficients from memory (R, M)."""
    assert float(moist_air(celsius, pascal, humidity).density_kg_m3) == pytest.approx(density, abs=2e-6)


@pytest.mark.parametrize(("celsius", "pascal", "humidity", "density"), MOIST)
def test_air_5_the_short_form_agrees(celsius: float, pascal: float, humidity: float, density: float) -> None:
    """OIML R111 short form, from memory (M), in hPa and per cent: within 6e-4 of the long equation."""
    short = (0.34848 * pascal / 100.0 - 0.009 * humidity * 100.0 * math.exp(0.061 * celsius)) / (273.15 + celsius)
    assert float(moist_air(celsius, pascal, humidity).density_kg_m3) == pytest.approx(short, rel=6e-4)


def test_air_5_handbook_value() -> None:
    """760 mmHg, 20 C, dew point 10 C: 1.199 kg/m3 in a handbook table (T2)."""
    humidity = 1227.9 / 2338.8  # saturation pressures at 10 and 20 C, steam tables, from memory
    assert float(moist_air(20.0, 101325.0, humidity).density_kg_m3) == pytest.approx(1.199, abs=5e-4)


def test_dry_moist_air_at_15_c_is_standard_air() -> None:
    """Two independent routes to one state; carbon dioxide differs a little, hence 3e-4."""
    dry, standard = moist_air(15.0, 101325.0, 0.0), standard_air(0.0)
    assert float(dry.density_kg_m3) == pytest.approx(float(standard.density_kg_m3), rel=5e-4)
    assert float(dry.speed_of_sound_m_s) == pytest.approx(float(standard.speed_of_sound_m_s), rel=3e-4)


def test_hot_moist_air_is_two_per_cent_lighter_than_dry() -> None:
    """The trap under AIR-5: humidity alone can hide a 2 % difference in thrust coefficient."""
    moist, dry = (float(moist_air(35.0, 101325.0, humidity).density_kg_m3) for humidity in (0.9, 0.0))
    assert 1.0 - moist / dry == pytest.approx(0.02, abs=0.003)
