"""Strength of printed and moulded polymers, MAT rows, and the statistics of own coupons."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.physics.materials import ACROSS_OVER_IN_LAYER, PUBLISHED, lower_bound, tolerance_factor

# MAT-4, Processes 2025, 13(9), 2733, materials section (T): ultimate strength of the filament itself
FILAMENT_BULK_MPA = {"printed_pla": 53.0, "printed_abs": 40.0, "printed_petg": 50.0}


def test_mat_1_printed_pa12_cf_falls_to_a_third_across_its_layers() -> None:
    """Babis et al., Technologies 2025, 13(10), 456 (T): 27.71 and 21.79 in, 8.78 MPa across; ratio 0.317."""
    material = PUBLISHED["printed_pa12_cf"]
    assert material.tension_mpa == (21.79, 27.71)
    assert material.across_mpa is not None and material.across_mpa[0] == 8.78
    assert material.across_mpa[0] / material.tension_mpa[1] == pytest.approx(0.317, abs=0.001)


def test_mat_2_printed_pla() -> None:
    """Materiale Plastice, article 11509 (abstract read, T): 47, 33 and 16 MPa; ratio 0.340."""
    material = PUBLISHED["printed_pla"]
    assert material.tension_mpa == (33.0, 47.0)
    assert material.across_mpa is not None
    assert material.across_mpa[0] / material.tension_mpa[1] == pytest.approx(0.340, abs=0.001)


@pytest.mark.parametrize(
    ("name", "low_mpa", "high_mpa"), [("printed_abs", 32.04, 39.52), ("printed_petg", 28.21, 47.09)]
)
def test_mat_3_range_over_process_settings(name: str, low_mpa: float, high_mpa: float) -> None:
    """Ali, Enzi, Huayier, 25 settings, in the layers only (abstract read, T); across by the working ratio."""
    material = PUBLISHED[name]
    assert material.tension_mpa == (low_mpa, high_mpa)
    assert material.across_mpa is not None
    assert material.across_mpa[0] == pytest.approx(ACROSS_OVER_IN_LAYER * low_mpa)


@pytest.mark.parametrize("name", FILAMENT_BULK_MPA)
def test_mat_4_bulk_strength_of_the_filament_is_never_the_allowable(name: str) -> None:
    material = PUBLISHED[name]
    assert material.tension_mpa[1] < FILAMENT_BULK_MPA[name]
    assert material.across_mpa is not None and material.across_mpa[0] < 0.4 * FILAMENT_BULK_MPA[name]


def test_mat_5_low_trust_is_said() -> None:
    """MAT-5, a secondary compilation (T2, low): kept, and labelled so. MAT-6, a forum post, is not used."""
    assert "low trust" in PUBLISHED["sintered_pa12_cf"].verified
    assert not any("forum" in material.source for material in PUBLISHED.values())


def test_working_ratio_is_at_the_low_end_of_the_published_pairs() -> None:
    """0.317 (MAT-1) and 0.340 (MAT-2) support 0.3 to 0.4 across over in-layer."""
    assert ACROSS_OVER_IN_LAYER <= 0.317


@pytest.mark.parametrize(("count", "k"), [(3, 6.155), (4, 4.162), (5, 3.407), (6, 3.006), (10, 2.355), (20, 1.926)])
def test_tolerance_factor(count: int, k: float) -> None:
    """One-sided factors for 90 % coverage with 95 % confidence as in handbook tables of normal tolerance limits (M)."""
    assert tolerance_factor(count) == pytest.approx(k, abs=0.002)


def test_tolerance_factor_of_a_published_example() -> None:
    """A statistics text on the web, one-sided example (T): 40 values, 90 % coverage, 99 % confidence, k = 1.9017."""
    assert tolerance_factor(40, coverage=0.90, confidence=0.99) == pytest.approx(1.9017, abs=1e-4)


def test_tolerance_factor_covers_as_promised() -> None:
    """Independent check by simulation: of many sets of five coupons, 95 % give a bound that 90 % of parts exceed."""
    rng = np.random.default_rng(5)
    sets = rng.normal(40.0, 3.0, (4000, 5))
    bounds = sets.mean(axis=1) - tolerance_factor(5) * sets.std(axis=1, ddof=1)
    tenth_percentile = 40.0 - 1.2815515655 * 3.0
    assert np.mean(bounds <= tenth_percentile) == pytest.approx(0.95, abs=0.012)


def test_lower_bound_of_coupons() -> None:
    bound = lower_bound([46.1, 47.9, 45.2, 48.3, 46.8])
    assert bound.mean_mpa == pytest.approx(46.86)
    assert bound.value_mpa == pytest.approx(46.86 - 3.4066 * bound.deviation_mpa, abs=0.002)
