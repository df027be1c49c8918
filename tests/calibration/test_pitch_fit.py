"""The pitch table from gauge readings: angle, play, and the tables that are refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from whirlbench.calibration.pitch_fit import GaugeReading, fit_pitch
from whirlbench.errors import CalibrationError

PULSES = np.array([1000.0, 1200.0, 1400.0, 1600.0, 1800.0, 2000.0])


def angle(pulse):
    return (pulse - 1000.0) * 0.03 - 4.0


def readings(play=0.0, rng=None, scatter=0.0, sides=(True, False), times=1):
    return [
        GaugeReading(
            pulse, angle(pulse) + (-play if below else play) / 2.0 + (rng.normal(0, scatter) if rng else 0.0), below
        )
        for _ in range(times)
        for below in sides
        for pulse in PULSES
    ]


def test_play_and_angles_are_recovered_over_two_hundred_calibrations():
    rng, plays, within, covered = np.random.default_rng(5), [], [], []
    bound = t.ppf(0.975, len(PULSES) - 1)
    for _ in range(200):
        fit = fit_pitch(readings(0.4, rng, 0.1))
        plays.append(fit.play_deg)
        covered.append(abs(fit.play_deg - 0.4) <= bound * fit.play_stderr_deg)
        within.append(np.abs([row[1] for row in fit.table] - angle(PULSES)) < 2.0 * fit.stderr_deg)

    assert np.mean(plays) == pytest.approx(0.4, abs=0.02)
    assert np.mean(within) >= 0.95
    assert 0.904 <= np.mean(covered) <= 0.996  # 95 %, less and more three standard errors of a share over 200


def test_play_read_from_one_side_is_not_known_rather_than_zero():
    fit = fit_pitch(readings(0.4, sides=(True,)))

    assert fit.play_deg is None and fit.play_stderr_deg is None


def test_a_pulse_read_from_one_side_only_is_put_in_the_middle():
    points = [one for one in readings(0.4) if one.pulse_us != 1400.0 or one.from_below]

    assert dict(fit_pitch(points).table)[1400.0] == pytest.approx(angle(1400.0), abs=1e-6)


def test_half_the_play_is_in_the_uncertainty():
    assert fit_pitch(readings(1.2)).stderr_deg == pytest.approx(np.hypot(0.1, 0.6 / np.sqrt(3.0)))


def spoiled(how):
    points = readings(0.1)
    if how == "folded":
        return [*points, GaugeReading(2100.0, 20.0)]
    if how == "exchanged":
        return [GaugeReading(1200.0, angle(1800.0)) if one.pulse_us == 1200.0 else one for one in points]
    if how == "stop":
        return [*points, GaugeReading(2100.0, angle(2000.0) + 0.02), GaugeReading(2100.0, angle(2000.0) + 0.02, False)]
    if how == "one side":
        return [GaugeReading(1400.0, 14.0) if one.pulse_us == 1400.0 and one.from_below else one for one in points]
    if how == "slips":
        return [*points, GaugeReading(1400.0, angle(1400.0) + 3.0)]
    if how == "two pulses":
        return [one for one in points if one.pulse_us < 1300.0]
    if how == "pulse":
        return [*points, GaugeReading(150.0, 1.0)]
    return [*points, GaugeReading(1500.0, float("nan"))]


@pytest.mark.parametrize(
    ("how", "complaint"),
    [
        ("folded", "turns back between 2000 us .* and 2100 us"),
        ("exchanged", "turns back between 1200 us"),
        ("stop", "stands at its stop, or"),
        ("slips", "the link slips"),
        ("one side", "at 1400 us the angles reached from below and from above are 5.9 degrees apart, elsewhere 0.1"),
        ("two pulses", "at least 3"),
        ("pulse", "500 to 2500"),
        ("gap", "not a finite number"),
    ],
)
def test_tables_that_are_no_tables_are_refused(how, complaint):
    with pytest.raises(CalibrationError, match=complaint):
        fit_pitch(spoiled(how))


def test_a_table_that_falls_is_a_table():
    points = [GaugeReading(one.pulse_us, -one.angle_deg, one.from_below) for one in readings(0.2)]

    assert [row[1] for row in fit_pitch(points).table] == pytest.approx(list(-angle(PULSES)), abs=1e-6)
