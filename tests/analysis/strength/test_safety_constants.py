"""Every safety constant of joints and allowables, each pinned by a figure worked out apart from it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.analysis.strength.allowables import Strengths
from whirlbench.analysis.strength.design_check import DEFAULT_RESERVE, PEAK_MODES
from whirlbench.analysis.strength.root_modes import OUTER_SHARE, PEAK_RESERVE, THREAD_KT
from whirlbench.analysis.strength.tolerances import ASSUMED, LOW_END, TWO_SIDED
from whirlbench.physics.joints import (
    CLEAVAGE_FACTOR,
    EDGE_FACTOR,
    PinLoads,
    about_bolt_pa,
    cleavage_pa,
    edge_factor,
    first_thread_pa,
    flat_bending_kt,
    grip_pressure_pa,
    hole_peak_pa,
    over_clearance_n,
    pin_moment_n_m,
    pin_stress_pa,
    round_pa,
    thread_shear_pa,
    too_close,
    worst_bolt_n,
)
from whirlbench.physics.materials import PUBLISHED
from whirlbench.physics.root_stress import Tang
from whirlbench.rig.blade_sets import BladeSet, ClampedRoot, TangRoot

TWO = Tang(0.024, 0.010, 0.005, 0.010, 2, (-0.006, 0.006))
D = 0.005


def test_reserves_and_tolerances() -> None:
    assert (DEFAULT_RESERVE, PEAK_RESERVE, LOW_END, TWO_SIDED) == (2.0, 1.0, 0.05, 2.0)
    assert ASSUMED == {"dimension_mm": 0.2, "mass_pct": 3.0, "cg_mm": 1.0, "strength_pct": 15.0, "clamp_pct": 30.0}
    assert set(PEAK_MODES) == {"hole_peak", "cleavage", "first_thread", "thread_peak"}
    assert (OUTER_SHARE, THREAD_KT) == (0.5, 2.8)


@pytest.mark.parametrize(
    ("tang", "key"),
    [
        (Tang(0.030, 0.01, D, 1.19 * D), "edge_distance_m"),
        (Tang(2.38 * D, 0.01, D, 0.01), "width_m"),
        (Tang(0.040, 0.01, D, 0.01, 2, (-1.19 * D, 1.19 * D)), "hole_offsets_m"),
        (Tang(0.030, 0.01, D, 0.01, 1, None, 2, 2.19 * D), "row_pitch_m"),
    ],
)
def test_no_rule_holds_below_the_least_distances(tang: Tang, key: str) -> None:
    """1.2, 1.2, 2.4 and 2.2 holes: EN 1993-1-8:2005, Table 3.3."""
    assert (too_close(tang) or "").startswith(key)


def test_the_least_distances_themselves_are_kept() -> None:
    assert too_close(Tang(2.4 * D, 0.01, D, 1.2 * D)) is None
    assert too_close(Tang(0.040, 0.01, D, 0.01, 2, (-1.2 * D, 1.2 * D), 2, 2.2 * D)) is None


def test_holes_off_the_middle_cost_what_they_do() -> None:
    """Width 24, hole 5, at 6 mm off: 3.21 MPa where a slot out of the middle gave 2.32."""
    moment = 2.32e6 * 0.010 * (0.024**3 - 0.010**3) / (6.0 * 0.024)
    assert about_bolt_pa(TWO, moment) == pytest.approx(3.21e6, rel=0.003)


def test_bending_about_the_bolt_has_its_own_factors() -> None:
    """A hole in the middle: twice M (d/2) / I. Off the middle: the field there as an open hole in its strip on top."""
    middle = Tang(0.020, 0.010, D, 0.010)
    inertia = 0.010 * (0.020**3 - D**3) / 12.0
    assert hole_peak_pa(middle, PinLoads(0.0, 0.0, 1.0), 0.0).about_bolt_pa == pytest.approx(2.0 * (D / 2) / inertia)
    share = D / 0.012
    field = 0.006 * (3.0 - 3.13 * share + 3.66 * share**2 - 1.53 * share**3) / (1.0 - share)
    expected = (field + 2.0 * D / 2 / (1.0 - share**3)) / (0.010 * 0.024**3 / 12.0)
    assert hole_peak_pa(TWO, PinLoads(0.0, 0.0, 1.0), 0.0).about_bolt_pa == pytest.approx(expected)


def test_bending_over_the_bolt_peaks_at_the_narrowest_strip() -> None:
    """One hole 3 mm off the middle of a tang of 20 mm works in a strip of 14 mm."""
    off = Tang(0.020, 0.010, D, 0.010, 1, (0.003,))
    nominal = 6.0 / (0.020 * 0.010**2) * 14.0 / (14.0 - D * 1e3)
    peak = hole_peak_pa(off, PinLoads(0.0, 1.0), 0.0).along_bolt_pa
    assert peak == pytest.approx(nominal * flat_bending_kt(D / 0.010, D / 0.014))


def test_flat_bending_runs_from_kirsch_to_the_thin_plate() -> None:
    assert flat_bending_kt(0.0) == pytest.approx(2.98, abs=0.02)
    assert flat_bending_kt(1e6) == pytest.approx((5 + 3 * 0.3) / (3 + 0.3), rel=0.002)
    assert flat_bending_kt(1.0) == pytest.approx(1.79 + 0.25 / 1.39 + 0.405 - 0.13)


def test_peaks_add() -> None:
    peak = hole_peak_pa(TWO, PinLoads(100.0, 1.0, 1.0), 50.0)
    assert peak.sum_pa == pytest.approx(peak.direct_pa + peak.along_bolt_pa + peak.about_bolt_pa)
    assert min(float(peak.direct_pa), float(peak.along_bolt_pa), float(peak.about_bolt_pa)) > 0.0


def test_a_shorter_end_never_helps() -> None:
    assert np.all(np.diff(EDGE_FACTOR, axis=1) >= -1e-9) and np.all(EDGE_FACTOR[:, 0] == 1.0)
    assert np.all(np.diff(CLEAVAGE_FACTOR[:, 3:], axis=1) > 0.0)
    assert edge_factor(1 / 3, 1.2) > edge_factor(1 / 3, 1.0)  # carried on beyond the table


def test_every_figure_of_both_tables_is_held() -> None:
    """Sums by row; the tables are our own finite elements, some of their points are KT-8 of the published checks."""
    edge = [10.088, 9.483, 8.889, 8.376, 8.013, 7.761, 7.441, 7.107]
    assert EDGE_FACTOR.sum(axis=1) == pytest.approx(edge, abs=5e-4)
    split = [5.826, 5.508, 5.342, 5.258, 5.214, 5.184, 5.207, 5.082]
    assert CLEAVAGE_FACTOR.sum(axis=1) == pytest.approx(split, abs=5e-4)


def test_cleavage_of_a_short_end() -> None:
    """e/d 1.5, w/d 3: 0.789 of the bearing pressure (our own finite elements)."""
    tang = Tang(3 * D, 0.010, D, 1.5 * D)
    assert cleavage_pa(tang, 1000.0) == pytest.approx(0.789 * 1000.0 / (D * 0.010), rel=1e-6)


def test_sharing_over_clearance() -> None:
    assert over_clearance_n(900.0, 3, 0.0, 1e6) == pytest.approx(300.0)
    assert over_clearance_n(900.0, 2, 1e-4, 1e6) == pytest.approx(450.0 + 50.0)
    assert over_clearance_n(900.0, 2, 1e-2, 1e6) == 900.0
    assert over_clearance_n(900.0, 2, None, 1e6) == over_clearance_n(900.0, 2, 1e-4, None) == 900.0


def test_a_moment_about_the_bolts_loads_them() -> None:
    tang = Tang(0.024, 0.010, D, 0.010, 2, (-0.006, 0.006), 1, 0.0, 0.0, 1e6)
    assert worst_bolt_n(tang, PinLoads(100.0, 0.0, 1.2), 1.0) == pytest.approx(50.0 + 1.2 / 0.012)


def test_pins_threads_shanks_and_grips_by_hand() -> None:
    assert pin_moment_n_m(10e3, 0.020, 0.010, 0.001) == pytest.approx(55.0)  # LUG-3
    assert pin_stress_pa(0.0, 55.0, 0.016) / 1e6 == pytest.approx(136.774, rel=1e-4)
    assert pin_stress_pa(2.0 * math.pi, 0.0, 2.0) == pytest.approx(math.sqrt(3.0))
    minor = 0.010 - 1.0825 * 0.0015
    assert thread_shear_pa(1000.0, 0.010, 0.0015, 0.012) == pytest.approx(1000.0 / (0.75 * math.pi * minor * 0.012))
    assert first_thread_pa(1000.0, 0.010, 0.0015) == pytest.approx(380.0 / (0.75 * math.pi * minor * 0.0015))
    assert round_pa(math.pi, math.pi, 2.0) == pytest.approx(1.0 + 4.0)
    assert grip_pressure_pa(1.0, 0.02, 0.01) == pytest.approx(6.0 / (0.02 * 1e-4))


def strengths(material: str | None, **keys: object) -> Strengths:
    blades = BladeSet(material=material, **keys)  # type: ignore[arg-type]
    return Strengths("bare", blades, None if material is None else PUBLISHED[material])


CLAMP = ClampedRoot(0.03, 0.02, 0.01, 0.03, clamp_force_n=1000.0)
TANG = TangRoot(0.02, 0.012, 0.005, 0.004, 0.008)


@pytest.mark.parametrize(
    ("material", "kept"),
    [("moulded_pa66", 0.664), ("printed_pla", 0.5), ("laminated_beech", 0.5), ("aluminium_6061_t6", 0.9)],
)
def test_what_a_clamp_keeps(material: str, kept: float) -> None:
    assert strengths(material).clamp_kept(CLAMP)[0] == kept


def test_the_peak_is_judged_by_a_stated_rule() -> None:
    assert strengths(None).peak_judged(False)[0] and strengths("printed_pla").peak_judged(False)[0]
    assert strengths("moulded_nylon", brittle=False).peak_judged(True)[0]
    assert not strengths("moulded_nylon", brittle=False).peak_judged(False)[0]
    assert not strengths("aluminium_6061_t6").peak_judged(False)[0]


def test_a_weld_line_is_assumed_beside_a_moulded_hole_and_costs_a_fifth() -> None:
    moulded = strengths("moulded_nylon")
    assert moulded.weld_line(TANG) and not strengths("printed_pla").weld_line(TANG)
    tension = moulded.tension("no layers")
    assert moulded.at_weld_line(tension).value_pa == pytest.approx(0.80 * tension.value_pa)


def test_wood_is_split_and_crushed_across_its_grain() -> None:
    beech = strengths("laminated_beech")
    assert beech.cleavage_direction(TANG) == beech.crush("no layers").direction == "across the grain"
    assert beech.tension("across the grain").room_pa < 0.1 * beech.tension("no layers").room_pa
