"""Noise of the speed: its whitening against the dense covariance written out, its estimate against what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.speed_loop import SpeedRecord
from whirlbench.analysis.speed_loop.noise import Noise, Values, Whitener, _likelihood, noise_of_holds


def a_record(averaged: bool) -> SpeedRecord:
    rng = np.random.default_rng(3)
    edges = np.cumsum(rng.uniform(0.01, 0.03, 41 if averaged else 40))
    speed = 3000.0 + rng.normal(0.0, 10.0, 40)
    speed[[7, 8, 20]] = np.nan
    return SpeedRecord(edges, speed, averaged, "tach" if averaged else "rpm")


def dense(record: SpeedRecord, noise: Noise) -> np.ndarray:
    """The covariance entry by entry, from the description of the noise alone."""
    fine = np.flatnonzero(np.isfinite(record.speed_rpm))
    time, speed = record.mid_s[fine], record.speed_rpm[fine]
    matrix = noise.wander * np.exp(-np.abs(time[:, None] - time[None, :]) / noise.wander_s)
    if not record.averaged:
        return matrix + np.diag(noise.steady + noise.jitter * (speed**2 / 60.0) ** 2)
    span = np.diff(record.edge_s)[fine]
    per_edge = speed / span
    matrix += np.diag(noise.steady / span + 2.0 * noise.jitter * per_edge**2)
    for one in range(len(fine) - 1):
        if fine[one + 1] == fine[one] + 1:
            matrix[one, one + 1] -= noise.jitter * per_edge[one] * per_edge[one + 1]
            matrix[one + 1, one] = matrix[one, one + 1]
    return matrix


@pytest.mark.parametrize("averaged", [True, False])
@pytest.mark.parametrize("wander", [0.0, 40.0])
def test_whitening_is_the_inverse_of_the_dense_covariance(averaged: bool, wander: float) -> None:
    record, noise = a_record(averaged), Noise(0.3, 2.5e-11, wander, 0.2)
    covariance = dense(record, noise)
    whitener = Whitener(record, noise)
    white = whitener.apply(np.eye(len(covariance)))
    assert white @ covariance @ white.T == pytest.approx(np.eye(len(covariance)), abs=1e-9)
    assert whitener.log_determinant == pytest.approx(np.linalg.slogdet(covariance)[1], rel=1e-9)
    column = np.arange(len(covariance), dtype=float)
    assert whitener.apply(column) == pytest.approx(white @ column)


@pytest.mark.parametrize("averaged", [True, False])
@pytest.mark.parametrize("wander", [0.0, 40.0])
def test_holds_together_are_as_likely_as_by_their_dense_covariances(averaged: bool, wander: float) -> None:
    """Restricted likelihood about a straight line each (Patterson and Thompson 1971, from memory), hold by hold."""
    noise, whole = Noise(0.3, 2.5e-11, wander, 0.2), a_record(averaged)
    holds = [whole.between(*whole.edge_s[[first, last]]) for first, last in ((0, 6), (6, 27), (27, 39))]
    late = np.arange(len(holds[1].speed_rpm)) < len(holds[0].speed_rpm)  # begins in the row after the first one's last
    holds[1] = replace(holds[1], speed_rpm=np.where(late, np.nan, holds[1].speed_rpm))
    squares, value, count = 0.0, 0.0, 0
    for hold in holds:
        fine, inverse = np.isfinite(hold.speed_rpm), np.linalg.inv(dense(hold, noise))
        lines, speed = np.vander(hold.mid_s[fine], 2), hold.speed_rpm[fine]
        inner = lines.T @ inverse @ lines
        left = speed - lines @ np.linalg.solve(inner, lines.T @ inverse @ speed)
        squares += left @ inverse @ left
        value -= 0.5 * (np.linalg.slogdet(inner)[1] - np.linalg.slogdet(inverse)[1])
        count += len(speed) - 2
    found = _likelihood(Values.of(holds), noise)
    assert found.scale == pytest.approx(squares / count, rel=1e-8)
    assert found.value == pytest.approx(value - 0.5 * count * np.log(squares / count), rel=1e-8)
    assert [len(white) for white in found.white] == [np.isfinite(hold.speed_rpm).sum() for hold in holds]


def gusty(rng: np.random.Generator, deviation: float, seconds: float) -> SpeedRecord:
    time = np.arange(0.0, 6.0, 0.01)
    keep = np.exp(-0.01 / seconds)
    wander = np.empty(len(time))
    wander[0] = rng.standard_normal()
    for index in range(1, len(time)):
        wander[index] = keep * wander[index - 1] + np.sqrt(1.0 - keep**2) * rng.standard_normal()
    return SpeedRecord(time, 3000.0 + deviation * wander + 3.0 * rng.standard_normal(len(time)), False, "rpm")


def test_gusts_of_the_holds_are_found_with_their_size_and_memory() -> None:
    rng = np.random.default_rng(5)
    found = [noise_of_holds([gusty(rng, 15.0, 0.4) for _ in range(5)]) for _ in range(6)]
    assert np.sqrt(np.median([one.wander for one in found])) == pytest.approx(15.0, rel=0.25)
    assert np.median([one.wander_s for one in found]) == pytest.approx(0.4, rel=0.4)
    assert np.sqrt(np.mean([one.steady for one in found])) == pytest.approx(3.0, rel=0.1)


def test_a_quiet_speed_that_was_rounded_is_off_by_a_part_of_a_step_for_a_whole_hold() -> None:
    """Levels between steps of 10 rpm, seen as one value: the error of a hold does not shrink with its samples."""
    quiet = SpeedRecord(np.arange(0.0, 5.0, 0.02), np.full(250, 3000.0), False, "rpm", resolution_rpm=10.0)
    noise = noise_of_holds([quiet])
    assert noise.wander == pytest.approx(10.0**2 / 3.0, rel=0.05)
    scattered = np.round(np.random.default_rng(1).normal(3003.0, 6.0, 250) / 10.0) * 10.0
    assert noise_of_holds([replace(quiet, speed_rpm=scattered)]).wander < 1.0


def test_noise_without_memory_is_given_no_wander() -> None:
    rng = np.random.default_rng(6)
    still = [noise_of_holds([gusty(rng, 0.0, 0.4) for _ in range(5)]) for _ in range(6)]
    assert [one.wander for one in still] == [0.0] * 6
