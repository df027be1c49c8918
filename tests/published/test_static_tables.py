"""Published static propeller figures run through the very code that fits a user's holds.

Figures are read from the sources named beside each; tolerances are those the sources' own disagreement asks for.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from textbook_formulas import ideal_thrust_n

from whirlbench.analysis.propeller import Estimate, Hold, Measured, fit_map
from whirlbench.analysis.propeller.propeller_map import coefficient_points, fit_coefficient
from whirlbench.physics.coefficients import power_w, thrust_n
from whirlbench.rig.description import Air, Propeller, Rig

DENSITY = 1.225

# UIUC Propeller Data Site volume 1 (Brandt and Selig, AIAA 2011-1255), static files apcsf_10x4.7 kt0835, 9x4.7 kt1032,
# 11x4.7 pg0526; read in a copy, not byte for byte in the original: (diameter m, [(rpm, CT, CP)]).
UIUC = {
    "10x4.7": (0.254, [(2377, 0.1059, 0.0431), (3494, 0.1117, 0.0450), (4590, 0.1200, 0.0484), (6528, 0.1299, 0.0531)]),
    "9x4.7": (0.2286, [(2763, 0.1137, 0.0481), (3874, 0.1159, 0.0480), (5226, 0.1184, 0.0484), (6768, 0.1199, 0.0483)]),
    "11x4.7": (
        0.2794,
        [(1666, 0.0986, 0.0392), (3144, 0.1074, 0.0411), (4585, 0.1174, 0.0452), (6021, 0.1259, 0.0493)],
    ),
}
# Thrust in N and power in W recomputed from the last row of each at 1.225 kg/m3.
UIUC_LAST = {"10x4.7": (7.84039, 88.5698), "9x4.7": (5.10362, 53.0141), "11x4.7": (9.46460, 103.9124)}

# NACA Report 640 (Hartman and Biermann, 1938), Clark Y, four blades, J = 0; a third party's digitised curves, not the
# report's own table: 3 % at best. (blade angle at 0.75 radius, CT, CP, figure of merit, power and rpm ratio to 15 deg)
NACA_640 = [
    (15, 0.1588, 0.0735, 0.687, 1.00, 1.000),
    (20, 0.1870, 0.1181, 0.546, 1.61, 0.854),
    (25, 0.1957, 0.1752, 0.394, 2.38, 0.749),
    (30, 0.2080, 0.2655, 0.285, 3.61, 0.652),
    (35, 0.2153, 0.3311, 0.241, 4.50, 0.606),
    (40, 0.2186, 0.3845, 0.212, 5.23, 0.576),
    (45, 0.2298, 0.4822, 0.182, 6.56, 0.534),
]


def electrical_rig(diameter_m: float) -> Rig:
    """A rig without motor constants: measured power counts as shaft power, as in the tables."""
    return Rig(propeller=Propeller(blades=2, diameter_m=diameter_m), air=Air(density_kg_m3=DENSITY))


def hold(rpm: float, pitch_deg: float, ct: float, cp: float, diameter_m: float) -> Hold:
    thrust = float(thrust_n(ct, rpm, diameter_m, DENSITY))
    power = float(power_w(cp, rpm, diameter_m, DENSITY))
    nothing = Measured(math.nan, math.nan)
    return Hold(
        source="table", from_s=0.0, to_s=8.0,
        rpm=Measured(rpm, 0.0005 * rpm), pitch_deg=Measured(pitch_deg, 0.05),
        thrust_n=Measured(thrust, 0.003 * thrust), current_a=Measured(power / 40.0, 0.003 * power / 40.0),
        voltage_v=Measured(40.0, 0.01), throttle_us=nothing, power_w=Measured(power, 0.003 * power),
        vibration_g_rms=nothing,
    )  # fmt: skip


@pytest.mark.parametrize("name", UIUC)
def test_uiuc_thrust_and_power_come_back_as_coefficients(name: str) -> None:
    diameter_m, rows = UIUC[name]
    holds = [hold(rpm, 8.5, ct, cp, diameter_m) for rpm, ct, cp in rows]
    assert holds[-1].thrust_n.mean == pytest.approx(UIUC_LAST[name][0], rel=1e-4)
    assert holds[-1].power_w.mean == pytest.approx(UIUC_LAST[name][1], rel=1e-4)
    points = coefficient_points(holds, electrical_rig(diameter_m), DENSITY)
    np.testing.assert_allclose(points.ct.value, [row[1] for row in rows], rtol=1e-9)
    np.testing.assert_allclose(points.cp.value, [row[2] for row in rows], rtol=1e-9)
    assert points.complaints == ()


@pytest.mark.parametrize("name", UIUC)
def test_uiuc_points_stay_below_the_actuator_disk(name: str) -> None:
    """Momentum theory's bound, and the plausible band 0.3 to 0.8 of the figure of merit (published: 0.63 to 0.73)."""
    diameter_m, rows = UIUC[name]
    points = coefficient_points(
        [hold(rpm, 8.5, ct, cp, diameter_m) for rpm, ct, cp in rows], electrical_rig(diameter_m), DENSITY
    )
    assert ((points.merit > 0.62) & (points.merit < 0.73)).all()
    for rpm, ct, cp in rows:
        most_n = ideal_thrust_n(power_w(cp, rpm, diameter_m, DENSITY), diameter_m, DENSITY)
        assert thrust_n(ct, rpm, diameter_m, DENSITY) < most_n


def test_uiuc_rpm_trend_is_seen_as_a_trend() -> None:
    """CT of the 10x4.7 grows by 23 % from 2377 to 6528 rpm: a fit that ignored it would be off by a tenth."""
    _, rows = UIUC["10x4.7"]
    rpm = np.tile([row[0] for row in rows], 3).astype(float)
    pitch = np.repeat([7.0, 8.5, 10.0], len(rows))
    ct = np.tile([row[1] for row in rows], 3) * np.repeat([0.9, 1.0, 1.1], len(rows))
    fit = fit_coefficient("CT", pitch, rpm, Estimate(ct, 0.003 * ct))
    assert fit.trend
    for speed, published in zip(rpm[:4], ct[4:8], strict=True):
        assert fit.at(np.array(8.5), np.array(speed)).value == pytest.approx(published, rel=0.025)


def naca_map():
    # speeds at which each blade angle takes the power that 15 degrees takes at 1500 rpm
    holds = [hold(1500.0 * row[5], row[0], row[1], row[2], 3.048) for row in NACA_640]
    return fit_map(holds, electrical_rig(3.048), DENSITY)


def test_naca_640_figures_of_merit() -> None:
    merit = naca_map().points.merit
    np.testing.assert_allclose(merit, [row[3] for row in NACA_640], atol=0.002)
    assert (merit < 1.0).all()


def test_naca_640_power_and_rpm_ratios_through_the_fit() -> None:
    """Power at one speed against 15 degrees and speed at one power, to 3 %; the fit within its own 95 % band."""
    propeller = naca_map()
    ratio = propeller.points.cp.value / propeller.points.cp.value[0]
    np.testing.assert_allclose(ratio, [row[4] for row in NACA_640], rtol=0.03)
    np.testing.assert_allclose(ratio ** (-1 / 3), [row[5] for row in NACA_640], rtol=0.03)
    assert propeller.cp is not None
    angles = np.array([row[0] for row in NACA_640], dtype=float)
    fitted = propeller.cp.at(angles, np.array(1000.0)).value
    band = propeller.cp.quantile(0.975) * propeller.cp.point_stderr
    np.testing.assert_allclose(fitted, [row[2] for row in NACA_640], atol=band)
    assert band < 0.06 * NACA_640[-1][2]


def test_naca_640_stall_is_not_smoothed_away() -> None:
    """CT rises by 0.028 from 15 to 20 degrees and by 0.009 to 25: the fit must follow within the figures' 3 %."""
    ct = naca_map().ct
    assert ct is not None
    angles = np.array([row[0] for row in NACA_640], dtype=float)
    np.testing.assert_allclose(ct.at(angles, np.array(1000.0)).value, [row[1] for row in NACA_640], rtol=0.04)
