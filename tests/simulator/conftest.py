"""Stands and runs that the tests of the simulator share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.stand import PlantSettings
from whirlbench.simulator.stand.settings import AirSettings


@pytest.fixture(scope="session")
def rig() -> Rig:
    return parse_rig(example_rig_text())


@pytest.fixture(scope="session")
def governed_rig() -> Rig:
    return parse_rig(example_rig_text().replace("governs = false", "governs = true"))


@pytest.fixture(scope="session")
def settings(rig: Rig) -> PlantSettings:
    return PlantSettings.from_rig(rig)


@pytest.fixture(scope="session")
def calm(settings: PlantSettings) -> PlantSettings:
    """A stand without gusts, free play and slow sag: the case that closed forms describe."""
    return replace(
        settings,
        polarisation_share=0.0,
        air=AirSettings(density_kg_m3=settings.air.density_kg_m3, gust_share=0.0),
        servo=replace(settings.servo, free_play_deg=0.0, dead_band_us=0.0),
    )


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)
