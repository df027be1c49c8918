"""Calibration lines against textbook and certified data, and the least-squares line of the project against them."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from whirlbench.calibration.known_points import KnownPoint, Series
from whirlbench.calibration.line_fit import BENT_SHARE, _fitted, fit_line, inverse_reading, least_squares
from whirlbench.errors import CalibrationError
from whirlbench.rig.description import Calibration, Rig
from whirlbench.safety.batch import Trip
from whirlbench.safety.reading_errors import product_stderr, read_as

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


def test_cal_4_a_straight_line_says_how_far_it_is_off_the_certified_bow():
    """A deflection of 1.239722 is 1 705 106 lb by the certified quadratic, 1 704 513 to 1 705 698 for a new reading.

    Status: recomputed from the certified data; the worked example is from memory (NIST/SEMATECH e-Handbook 4.6). The
    calibration has no quadratic: this cell departs from its line by 0.3 % of the span, and one that departs by more
    than 1 % is named as bent, by more than 5 % refused (``BENT_SHARE``, ``REFUSED_SHARE``); what a bow costs is in the
    uncertainty. So the line has to be wrong by less than it says itself, and by more than the quadratic would be.
    """
    loads = np.tile(np.arange(1, 21) * 0.15, 2)
    design = np.stack([np.ones(40), loads, loads**2], axis=1)
    quadratic = np.linalg.lstsq(design, DEFLECTION, rcond=None)[0]
    (certified,) = [root.real for root in np.roots(quadratic[::-1] - [0, 0, 1.239722]) if 0.0 < root.real < 3.0]
    fit = fit_line([KnownPoint(*pair) for pair in zip(loads, DEFLECTION, strict=True)], "Mlb", "load")

    value, low, high = inverse_reading(fit, 1.239722)

    assert certified == pytest.approx(1.705106, abs=6e-7)
    assert low < certified < high and not 1.704513 < value < 1.705698
    assert fit.departure < BENT_SHARE and fit.residual == pytest.approx(2.17e-3 / fit.slope, rel=0.3)


# A weighing scale read at 0 to 5 lb, five times up and down: Wheeler & Ganji, Introduction to Engineering
# Experimentation, example 2.3 (data seen in two places that agree; two of its figures do not follow from its own data).
UP_LB = {
    0.5: (0.20, 0.08, 0.17, 0.19, 0.11), 1.0: (0.70, 0.78, 0.64, 0.61, 0.70), 1.5: (1.18, 1.26, 1.25, 1.24, 1.23),
    2.0: (1.81, 1.93, 1.81, 1.93, 1.88), 2.5: (2.62, 2.49, 2.46, 2.46, 2.58, 2.53),
    3.0: (3.15, 3.18, 3.24, 3.28, 3.13), 3.5: (3.90, 3.84, 3.86, 3.97, 3.96), 4.0: (4.59, 4.71, 4.61, 4.60, 4.60),
    4.5: (5.41, 5.35, 5.49, 5.46, 5.39), 5.0: (6.24, 6.27, 6.10, 6.24, 6.16),
}  # fmt: skip
DOWN_LB = {
    4.5: (5.71, 5.74, 5.78, 5.87, 5.82), 4.0: (4.96, 5.11, 5.08, 5.03, 5.03), 3.5: (4.22, 4.34, 4.21, 4.22, 4.24),
    3.0: (3.57, 3.64, 3.66, 3.55, 3.67), 2.5: (2.98, 2.86, 2.98, 2.98, 2.94), 2.0: (2.22, 2.23, 2.26, 2.29, 2.26),
    1.5: (1.57, 1.70, 1.69, 1.63, 1.57), 1.0: (1.07, 1.07, 1.11, 1.16, 1.11), 0.5: (0.52, 0.61, 0.61, 0.61, 0.45),
    0.0: (0.02, 0.08, 0.08, -0.03, 0.06),
}  # fmt: skip


def one_cycle(number):
    """The scale began in the middle of its first cycle: the lower weights went up one reading earlier."""
    up = [(value, reads[number - 1 if value <= 2.0 else number]) for value, reads in UP_LB.items()]
    down = [(value, reads[number]) for value, reads in DOWN_LB.items()]
    return _fitted(Series(*np.array(up + down).T), "lb")


def test_cal_5_hysteresis_of_a_scale_over_five_cycles():
    """Printed: line 1.290 W - 0.374, hysteresis 0.52, repeatability 0.17 lb; recomputed: hysteresis 0.54."""
    readings = [(value, read) for way in (UP_LB, DOWN_LB) for value, reads in way.items() for read in reads]
    values, reads = np.array(readings).T

    slope, offset, _, scatter = least_squares(values, reads)
    fit = _fitted(Series(values, reads), "lb")

    assert len(readings) == 101
    assert (slope, offset, scatter) == pytest.approx((1.290165, -0.376798, 0.244140), abs=2e-6)  # recomputed
    assert (slope, offset) == pytest.approx((1.290, -0.374), abs=0.003)  # printed, from fewer digits
    gaps = [cycle.hysteresis * cycle.slope for cycle in map(one_cycle, range(1, 5))]
    assert max(gaps) == pytest.approx(0.52, abs=0.025)
    assert fit.hysteresis * fit.slope < max(gaps)  # of the means of all cycles: repeatability is in the scatter
    assert fit.hysteresis / 2.0 / np.sqrt(3.0) < fit.residual  # JCGM 100:2008, 4.3.7: it does not average out
    with pytest.raises(CalibrationError, match="of the span from a straight line"):
        fit_line([KnownPoint(*pair) for pair in readings], "lb", "scale")


@pytest.mark.parametrize(("current_a", "voltage_v"), [(12.0, 48.0), (60.0, 38.5), (0.4, 50.2)])
def test_a_product_errs_as_the_library_of_uncertainties_has_it(current_a: float, voltage_v: float) -> None:
    """JCGM 100:2008, 5.1.2, for independent inputs, as the library `uncertainties` works it out."""
    current = Calibration(unit="A", units_per_count=0.1, stderr_gain_pct=0.8, stderr_zero=0.05, residual=0.12)
    voltage = Calibration(unit="V", units_per_count=0.05, stderr_gain_pct=0.3, residual=0.08)
    rig = Rig(calibration={"current_a": current, "voltage_v": voltage})
    readings = {"current_a": current_a, "voltage_v": voltage_v}
    known = [ufloat(value, rig.calibration[name].stderr(value)) for name, value in readings.items()]
    product = known[0] * known[1]
    assert product_stderr(rig, readings, product.nominal_value) == pytest.approx(product.std_dev, rel=1e-12)
    trip = Trip("power_w", 1.0, product.nominal_value, 1.0)
    read = read_as(rig, trip, np.array([1.0]), {name: np.array([value]) for name, value in readings.items()})
    assert read.stderr == pytest.approx(product.std_dev, rel=1e-12)
