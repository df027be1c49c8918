"""End points of the throttle from a sweep; marks and clock of the tach from a strobe."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.calibration.tach_fit import fit_tach
from whirlbench.calibration.throttle_ends import find_throttle_ends
from whirlbench.errors import CalibrationError

PULSES = np.arange(900.0, 2100.0, 20.0)


def speed(pulse, first=1080.0, full=1880.0):
    return np.where(pulse < first, 0.0, 12000.0 * np.clip((pulse - first + 40.0) / (full - first + 40.0), 0.0, 1.0))


def test_ends_of_a_motor_that_turns_from_1080():
    ends = find_throttle_ends(PULSES, speed(PULSES), 200.0, 1200.0)

    assert (ends.safe_us, ends.first_us) == (1020.0, 1080.0)
    assert ends.full_us == pytest.approx(1870.0, abs=20.0)
    assert ends.full_reached


def test_a_safe_pulse_never_exceeds_the_cap():
    assert find_throttle_ends(PULSES, speed(PULSES, first=1500.0), 200.0, 1200.0).safe_us == 1200.0


def test_a_speed_that_still_rises_has_no_end():
    ends = find_throttle_ends(PULSES, speed(PULSES, full=2400.0), 200.0, 1200.0)

    assert (ends.full_reached, ends.full_us) == (False, PULSES[-1])


@pytest.mark.parametrize(
    ("rpm", "complaint"),
    [
        (np.full(len(PULSES), 3000.0), "turns at 900 us already"),
        (np.zeros(len(PULSES)), "never turned"),
        (speed(PULSES) * ((PULSES < 1400) | (PULSES > 1460)), "turned at 1380 us and stood at 1400 us"),
        (np.where(PULSES < 940, 0.0, 3000.0), "begin the sweep below 880"),
        (np.full(len(PULSES), np.nan), "at least 6"),
    ],
)
def test_sweeps_without_ends_are_refused(rpm, complaint):
    with pytest.raises(CalibrationError, match=complaint):
        find_throttle_ends(PULSES, rpm, 200.0, 1200.0)


def test_a_clock_that_is_slow_is_corrected():
    known = np.array([3000.0, 4000.0, 5000.0, 6000.0])

    fit = fit_tach(known, known / 1.004, 1)

    assert fit.pulses_per_rev == 1
    assert fit.clock_correction == pytest.approx(1.004, abs=1e-6)
    assert fit.stderr < 1e-9


@pytest.mark.parametrize(("marks", "set_to"), [(2, 1), (1, 2), (3, 1)])
def test_wrong_marks_are_counted_right(marks, set_to):
    known = np.array([3000.0, 4000.0, 5000.0])

    assert fit_tach(known, known * marks / set_to, set_to).pulses_per_rev == marks


@pytest.mark.parametrize(
    ("read", "complaint"),
    [
        ([3000.0, 4000.0, 5150.0], "reading 3"),
        ([2000.0, 8000.0 / 3.0, 10000.0 / 3.0], "no whole number"),
        ([3000.0, np.nan, 5000.0], "at least 3"),
        ([0.0, 0.0, 0.0], "at least 3"),
    ],
)
def test_readings_that_tell_nothing_are_refused(read, complaint):
    with pytest.raises(CalibrationError, match=complaint):
        fit_tach(np.array([3000.0, 4000.0, 5000.0]), np.array(read), 1)
