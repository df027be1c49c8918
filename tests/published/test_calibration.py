"""Calibration lines against textbook and certified data, and the least-squares line of the project against them."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line, inverse_reading, least_squares

# Fluorescence of standards, concentration 0 to 12 by 2: Miller & Miller, Statistics and Chemometrics for Analytical
# Chemistry, ch. 5 (attribution from memory; figures seen in a public repository's tests, recomputed).
CONCENTRATION = np.arange(0.0, 13.0, 2.0)
FLUORESCENCE = np.array([2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7])
# Heights 0 to 10, up and down: a university's laboratory notebook (its data seen; the pooled line recomputed).
HEIGHTS = np.arange(11.0)
UP = np.array([-1.12, 0.21, 1.18, 2.09, 3.33, 4.50, 5.26, 6.59, 7.73, 8.68, 9.88])
DOWN = np.array([-0.69, 0.42, 1.65, 2.48, 3.62, 4.71, 5.87, 6.86, 7.92, 9.10, 10.20])


def miller():
    points = [KnownPoint(*pair) for pair in zip(CONCENTRATION, FLUORESCENCE, strict=True)]
    return fit_line(points, "pg/ml", "fluorescence")


def test_cal_1_straight_line_of_the_textbook():
    slope, offset, covariance, scatter = least_squares(CONCENTRATION, FLUORESCENCE)

    assert slope == pytest.approx(1.9304, abs=5e-5)
    assert offset == pytest.approx(1.5179, abs=5e-5)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0409, 0.2949], abs=5e-5)
    assert scatter == pytest.approx(0.43285, abs=5e-5)


@pytest.mark.parametrize(
    ("reading", "value", "interval"),
    [
        (2.9, 0.7160, (0.0190, 1.3816)),
        (13.5, 6.2072, (5.5906, 6.8251)),
        (23.0, 11.1286, (10.4661, 11.8216)),
    ],
)
def test_cal_2_value_of_one_reading_with_its_interval(reading, value, interval):
    """Inverse and Fieller's interval of the same line; recomputed, not printed in the book."""
    found, low, high = inverse_reading(miller(), reading)

    assert found == pytest.approx(value, abs=1e-4)
    assert (low, high) == pytest.approx(interval, abs=2e-4)


def test_cal_6_hysteresis_is_told_from_scatter():
    """Pooling up and down makes a scatter 2.9 times that of the line mid-way: hysteresis is no random error."""
    points = [KnownPoint(*pair) for pair in zip(HEIGHTS, UP, strict=True)]
    points += [KnownPoint(*pair) for pair in zip(HEIGHTS[::-1], DOWN[::-1], strict=True)]
    pooled = least_squares(np.tile(HEIGHTS, 2), np.concatenate([UP, DOWN]))

    fit = fit_line(points, "cm", "height")

    assert (pooled[0], pooled[1], pooled[3]) == pytest.approx((1.083864, -0.852500, 0.204278), abs=1e-5)
    assert fit.slope == pytest.approx(1.083864, abs=0.01)
    assert fit.hysteresis == pytest.approx(0.61 / fit.slope, rel=0.02)


# Deflection of a load cell at 150 000 to 3 000 000 lb by 150 000, twice: NIST StRD, Pontius (certified data, seen in
# several copies that agree). Certified is the quadratic; the scatter about a straight line is recomputed.
DEFLECTION = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001, 1.30822, 1.41599,
    1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, 0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739,
    0.76596, 0.87474, 0.98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177,
    2.16829,
])  # fmt: skip


def test_cal_3_a_real_load_cell_is_a_line_with_ten_times_the_scatter_of_its_bow():
    """The straight line leaves 2.17e-3, the certified quadratic 2.05e-4: what the bow costs is in the scatter told."""
    loads = np.tile(np.arange(1, 21) * 0.15, 2)

    scatter = least_squares(loads, DEFLECTION)[3]

    assert scatter == pytest.approx(2.1712e-3, rel=1e-4)
    assert scatter > 10 * 2.05177424076185e-4
