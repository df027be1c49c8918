"""Air: what must hold whatever the numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.physics.atmosphere import moist_air, saturation_pressure_pa, standard_air


@given(st.floats(-20.0, 45.0), st.floats(8e4, 1.05e5), st.floats(0.05, 0.95))
def test_moisture_thins_the_air_and_speeds_up_sound(celsius: float, pascal: float, humidity: float) -> None:
    dry, moist = moist_air(celsius, pascal, 0.0), moist_air(celsius, pascal, humidity)
    assert moist.density_kg_m3 < dry.density_kg_m3
    assert moist.speed_of_sound_m_s > dry.speed_of_sound_m_s


def test_water_boils_at_one_atmosphere_near_100_c() -> None:
    """Fact of common knowledge; the formula is meant for weather and is 1 % high there."""
    assert saturation_pressure_pa(100.0) == pytest.approx(101325.0, rel=0.015)


def test_arrays_keep_their_shape_and_nan_stays_nan() -> None:
    state = moist_air(np.array([10.0, np.nan, 30.0]), 101325.0, 0.5)
    assert np.shape(state.density_kg_m3) == (3,)
    assert np.isnan(np.asarray(state.density_kg_m3)[1])
    assert np.isfinite(np.asarray(state.density_kg_m3)[[0, 2]]).all()


def test_the_stratosphere_is_refused() -> None:
    with pytest.raises(ValueError, match="troposphere"):
        standard_air(20000.0)
