"""What earlier points of a run let expect of the load, on made-up features."""

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.onset.features import LOAD, Features, Signal
from whirlbench.analysis.onset.healthy_load import expected_load
from whirlbench.analysis.onset.healthy_scatter import scatter
from whirlbench.analysis.onset.operating_points import operating_points

HOLD = 60  # frames
RNG = np.random.default_rng(3)


def load_features(holds, pitch_known=True):
    """Thrust ``0.3 * angle * share`` held for 15 s at each (rpm, angle, share)."""
    rpm, angle, share = (np.repeat(np.array(column, float), HOLD) for column in zip(*holds, strict=True))
    thrust = 0.3 * angle * share + 0.01 * RNG.standard_normal(len(rpm))
    frames = len(rpm)
    return Features(
        time_s=0.25 * np.arange(frames),
        step_s=0.25,
        rpm=rpm,
        command=np.column_stack([rpm / 3.0, 1000.0 + 50.0 * angle]),
        driven=np.ones(frames, bool),
        pitch_deg=angle if pitch_known else np.full(frames, np.nan),
        values=thrust[:, None],
        level=np.abs(thrust)[:, None],
        signals=(Signal("thrust", (0,), 0.006, LOAD),),
        notes=(),
    )


def expected(features):
    points = operating_points(features, by_speed=False)
    return expected_load(features, points, scatter(features, points), None)


def test_another_angle_and_speed_are_foreseen():
    found = expected(load_features([(3600, 6, 1), (4500, 10, 1), (4000, 8, 1)]))
    assert np.isnan(found.mean[0, 0])
    assert found.mean[1, 0] == pytest.approx(3.0, abs=2 * found.spread[1, 0])
    assert found.mean[2, 0] == pytest.approx(2.4, abs=2 * found.spread[2, 0])
    assert found.spread[2, 0] < 0.5 * found.spread[1, 0]  # between two angles held more is known than beyond one


def test_a_load_that_is_gone_at_the_next_point_is_far_outside():
    found = expected(load_features([(3600, 6, 1), (4500, 10, 1), (4000, 8, 0.4)]))
    assert abs(0.4 * 2.4 - found.mean[2, 0]) > 5 * found.spread[2, 0]


def test_without_an_angle_only_the_same_servo_pulse_is_compared():
    found = expected(load_features([(3600, 6, 1), (4500, 10, 1), (4000, 6, 1)], pitch_known=False))
    assert np.isnan(found.mean[1, 0])
    assert found.mean[2, 0] == pytest.approx(1.8, abs=2 * found.spread[2, 0])
    assert expected(load_features([(3600, 6, 1), (4500, 10, 1)], pitch_known=False)) is None


def test_the_drift_of_speed_goes_with_the_charge_drawn():
    """Half the charge is drawn after three quarters of the time where the last quarter draws three times as much."""
    from whirlbench.analysis.onset.features import SPEED
    from whirlbench.analysis.onset.whitening import HABITS, make_design

    features = load_features([(3600, 6, 1), (3600, 6, 1), (3600, 6, 1), (3600, 6, 3)])
    features = replace(features, signals=(Signal("current", (0,), 0.008, LOAD),))
    points = operating_points(features, by_speed=False)
    design = make_design(features, points, scatter(features, points), None, HABITS[SPEED], [0])
    worked_s = -HABITS[SPEED].warm_up_s[1] * np.log(1.0 - design.warm[[3 * HOLD - 1, 4 * HOLD - 1], 1])
    assert worked_s[0] / worked_s[1] == pytest.approx(0.5, abs=0.01)
    assert worked_s[1] == pytest.approx(4 * HOLD * 0.25, rel=0.01)  # over the whole run it is the time
