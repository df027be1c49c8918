"""The parts of the onset search, each against a formula, a brute force or an independent library."""

from types import SimpleNamespace

import numpy as np
import pytest
from cumulative_sums import cusum, least_mean_delay, siegmund_threshold, threshold_for

from whirlbench.analysis.onset.beginning import Likelihood, beginning
from whirlbench.analysis.onset.commands import loose_commands
from whirlbench.analysis.onset.dating import FirstBeginning, Part, Watch, pooled
from whirlbench.analysis.onset.features import SPEED, VIBRATION, Signal, run_features
from whirlbench.analysis.onset.findings import LASTING_S, MOST_STEPS, Cause, half_chi_square, step_energy, told_cause
from whirlbench.analysis.onset.growths import FAMILY, FORMS, PRIOR, Signatures
from whirlbench.analysis.onset.healthy_scatter import scatter
from whirlbench.analysis.onset.likelihood_ratio import (
    BLOCK,
    alarm_level,
    sequential_evidence,
    tail_nats,
)
from whirlbench.analysis.onset.operating_points import operating_points
from whirlbench.analysis.onset.whitening import (
    HABITS,
    UNKNOWN_LEVEL,
    WANDER_PER_FRAME,
    WARM_UP_S,
    Design,
    HealthyFilter,
)

STEP_S = 0.25


def one_point(frames):
    time_s = STEP_S * np.arange(frames)[:, None]
    still = np.zeros(frames, int)
    settle = np.exp(-time_s / np.array(HABITS[VIBRATION].settling_s))
    warm = 1.0 - np.exp(-time_s / np.array(WARM_UP_S))
    return Design(still, still, np.zeros(frames), warm, settle, HABITS[VIBRATION], 1, np.array([UNKNOWN_LEVEL]))


def power_signatures(time_s, begin_s, powers):
    """Signatures ((t - begin) / longest)^power, zero before ``begin_s``: ``(frames, begins * powers)``."""
    elapsed = np.maximum(time_s[:, None] - begin_s, 0.0) / (time_s[-1] - begin_s[0])
    began = time_s[:, None] >= begin_s
    shapes = [np.where(began, elapsed**power if power else 1.0, 0.0) for power in powers]
    return np.stack(shapes, axis=2).reshape(len(time_s), -1)


def covariance(design):
    """Covariance of a healthy signal at one point, written down directly from its habits."""
    frames, habits = len(design.point), HABITS[VIBRATION]
    step = np.minimum.outer(np.arange(frames), np.arange(frames)) * WANDER_PER_FRAME**2
    level = (UNKNOWN_LEVEL**2 + habits.revisit**2) * np.ones((frames, frames))
    warm = habits.warm_up**2 * design.warm @ design.warm.T
    settle = habits.settling**2 * design.settle @ design.settle.T
    return np.eye(frames) + level + step + warm + settle


def test_filter_whitens_exactly_as_the_covariance_says():
    """The innovations of the filter are the Cholesky whitening of the covariance, row for row."""
    design = one_point(60)
    values = np.random.default_rng(3).standard_normal((60, 4)) + 5.0
    brute = np.linalg.solve(np.linalg.cholesky(covariance(design)), values)
    assert np.allclose(HealthyFilter(design).whiten(values), brute, atol=1e-6)


def frame_by_frame(design, values):
    """Innovations by the textbook's Kalman filter, one frame and one column at a time; a gap is no measurement of it.

    The gains are those of frames without gaps, as all columns share them.
    """
    habits, points = design.habits, design.points
    size = 2 * points + 5
    deviation = np.concatenate([design.known_spread, np.full(points, habits.lean_per_pct), np.full(3, habits.warm_up)])
    spread = np.diag(np.concatenate([deviation, np.full(2, habits.settling)]) ** 2)
    state, found = np.zeros((size, values.shape[1])), np.zeros(values.shape)
    last, seen = None, set()
    for frame in np.flatnonzero(design.point >= 0):
        point, visit = int(design.point[frame]), int(design.visit[frame])
        if last is None or visit != design.visit[last]:
            spread[-2:, :], spread[:, -2:], state[-2:] = 0.0, 0.0, 0.0
            spread[-2:, -2:] = np.eye(2) * habits.settling**2
            spread[point, point] += habits.revisit**2 if point in seen else 0.0
            seen.add(point)
        spread[:points, :points] += np.eye(points) * WANDER_PER_FRAME**2 * (0 if last is None else frame - last)
        row = np.zeros(size)
        row[point], row[points + point], row[2 * points :] = 1.0, design.lean_pct[frame], 0.0
        row[2 * points : -2], row[-2:] = design.warm[frame], design.settle[frame]
        root = np.sqrt(row @ spread @ row + 1.0)
        gain = spread @ row / root
        spread = spread - np.outer(gain, gain)
        found[frame] = np.nan_to_num((values[frame] - row @ state) / root)
        state += np.outer(gain, found[frame])
        last = frame
    return found


def test_blocks_filter_as_frame_by_frame_through_visits_and_gaps():
    rng = np.random.default_rng(8)
    frames = 90
    time_s = STEP_S * np.arange(frames)[:, None]
    point = np.repeat([0, -1, 1, 0, -1, 1], [22, 5, 18, 17, 3, 25])
    visit = np.repeat([0, -1, 1, 2, -1, 3], [22, 5, 18, 17, 3, 25])
    point[[9, 50]] = visit[[9, 50]] = -1
    design = Design(
        point, visit, rng.uniform(-1.0, 1.0, frames), 1.0 - np.exp(-time_s / np.array(WARM_UP_S)),
        np.exp(-(time_s % 6.0) / np.array(HABITS[VIBRATION].settling_s)), HABITS[VIBRATION], 2, np.array([2.0, 50.0]),
    )  # fmt: skip
    values = rng.standard_normal((frames, 3))
    values[[3, 4, 40], 0] = np.nan
    values[60:, 1] = np.nan
    assert np.allclose(HealthyFilter(design).whiten(values), frame_by_frame(design, values), atol=1e-8)


def test_energies_of_steps_are_those_of_whole_signatures():
    """What the smallest change rests on: each step whitened by itself from end to end, ten seconds of it counted."""
    design, time_s = one_point(700), STEP_S * np.arange(700)
    healthy = HealthyFilter(design)
    part = Part((), (), time_s, time_s, healthy, np.empty((700, 0)), np.empty((1, 0)), np.array([4000.0]))
    places = time_s[time_s <= time_s[-1] - LASTING_S]
    begin_s = places[np.unique(np.linspace(0, len(places) - 1, MOST_STEPS).astype(int))]
    seen = healthy.whiten((time_s[:, None] >= begin_s).astype(float))
    counted = (time_s[:, None] >= begin_s) & (time_s[:, None] <= begin_s + LASTING_S)
    expected = np.where(counted, seen**2, 0.0).sum(axis=0)
    assert len(begin_s) == MOST_STEPS and np.median(expected) > 5.0
    assert step_energy(part) == pytest.approx(expected, rel=1e-7, abs=1e-9)


def test_evidence_is_the_likelihood_ratio_of_brute_force():
    design = one_point(48)
    rng = np.random.default_rng(5)
    values = rng.standard_normal((48, 2))
    values[30:] += 2.0
    time_s = STEP_S * np.arange(48)
    healthy = HealthyFilter(design)
    found = sequential_evidence(healthy, healthy.whiten(values), time_s, ((0, 1),))
    root = np.linalg.cholesky(covariance(design))
    shapes = power_signatures(time_s, time_s[::BLOCK], (0.0, 1.0, 2.0))
    seen, white = np.linalg.solve(root, shapes), np.linalg.solve(root, values)
    energy = (seen**2).sum(axis=0)
    ratio = np.where(energy > 1e-6, ((seen.T @ white) ** 2).sum(axis=1) / np.maximum(2 * energy, 1e-12), 0.0)
    assert found.nats[-1, 0] == pytest.approx(ratio.max(), rel=1e-6)


def test_tail_against_scipy():
    from scipy import stats

    for degrees in (1, 2, 4, 6):
        half = np.array([8.0, 12.0, 20.0, 60.0])
        exact = -stats.chi2.logsf(2 * half, degrees)
        assert tail_nats(half, degrees) == pytest.approx(exact, abs=0.12)
        assert tail_nats(np.array([0.0]), degrees)[0] == pytest.approx(0.0, abs=1e-6)


def test_alarms_by_luck_come_as_rarely_as_asked():
    """One in ten minutes asked for; 90 minutes of white noise must hold nine within a factor of two."""
    rng = np.random.default_rng(7)
    frames = 2400
    healthy, level = HealthyFilter(one_point(frames)), alarm_level(600.0, BLOCK * STEP_S, 1)
    alarms, watched_s = 0, 0.0
    for _ in range(9):
        values = rng.standard_normal((frames, 4))
        evidence = sequential_evidence(healthy, healthy.whiten(values), STEP_S * np.arange(frames), ((0, 1, 2, 3),))
        over = np.flatnonzero(evidence.nats[:, 0] > level)
        alarms += len(over) > 0
        watched_s += evidence.time_s[over[0]] if len(over) else 600.0
    assert 300.0 < watched_s / max(alarms, 1) < 1200.0


def test_delay_is_within_half_again_of_the_bound():
    """A shift of 1.5 standard deviations, one alarm by luck in 10 h; all cases: tests/benchmarks/onset_delay.py."""
    rng = np.random.default_rng(11)
    frames = 560
    healthy, level = HealthyFilter(one_point(frames)), alarm_level(36000.0, BLOCK * STEP_S, 1)
    delays = []
    for _ in range(25):
        values = rng.standard_normal((frames, 1))
        values[480:] += 1.5
        evidence = sequential_evidence(healthy, healthy.whiten(values), STEP_S * np.arange(frames), ((0,),))
        delays.append(evidence.time_s[np.flatnonzero(evidence.nats[:, 0] > level)[0]] / STEP_S - 480 + 1)
    assert min(delays) > 0
    assert np.mean(delays) <= 1.5 * least_mean_delay(36000.0 / STEP_S, 1.5**2 / 2)


def test_cusum_in_closed_form_equals_the_recursion():
    values = np.random.default_rng(2).standard_normal((200, 3))
    sums, running = cusum(values, 0.4), np.zeros(3)
    for row in range(200):
        running = np.maximum(0.0, running + values[row] - 0.4)
        assert np.allclose(sums[row], running)


def test_siegmund_is_near_the_exact_threshold():
    assert siegmund_threshold(0.5, 10000.0) == pytest.approx(threshold_for(0.5, 10000.0), abs=0.05)


def test_beginning_of_a_gaussian_likelihood_is_its_mode_and_interval():
    begin_s = np.arange(0.0, 20.0, 0.05)
    nats = np.full((len(begin_s), len(FAMILY)), -1e3)
    nats[:, 1] = -0.5 * ((begin_s - 8.0) / 1.5) ** 2
    likelihood = Likelihood(begin_s, nats)
    found = beginning(begin_s, likelihood.marginal())
    assert found.at_s == pytest.approx(8.0, abs=0.06)
    assert found.to_s - found.from_s == pytest.approx(2 * 1.96 * 1.5 + 0.05, rel=0.03)
    tempered = beginning(begin_s, likelihood.marginal(sharpness=0.25))
    assert tempered.to_s - tempered.from_s > 1.8 * (found.to_s - found.from_s)
    assert beginning(begin_s, likelihood.marginal(), widen_s=0.25).from_s == pytest.approx(found.from_s - 0.25)


def test_each_form_of_growth_is_as_likely_as_another():
    shares = {form: PRIOR[np.array(FORMS) == form].sum() for form in FORMS}
    assert len(shares) == 6 and all(share == pytest.approx(1 / 6) for share in shares.values())


def test_a_course_is_seen_as_a_frame_weighs_it_and_has_grown_to_one():
    begin_s = np.array([0.0, 10.0, 19.0])
    shown = Signatures(begin_s, 20.0, 0.25)
    now = shown.at(15.0)
    assert now.shape == (2, len(FAMILY))  # what began at 19 s cannot be seen yet
    assert now[:, FORMS.index("linear")] == pytest.approx([0.75, 0.5], abs=1e-6)
    assert shown.at(20.0)[:, FORMS.index("step")] == pytest.approx(1.0)
    assert shown.at(10.0)[1, FORMS.index("step")] == pytest.approx(0.5, abs=0.3)  # half of the frame lies before
    quickest = FORMS.index("exponential")  # 1.5 s: within 6.9 s it grows a hundredfold
    assert shown.allowed[:, quickest].tolist() == [False, False, True]


def gaussian(at_s, deviation_s, begin_s, nats):
    """Log likelihood ratio of one signal, at its best ``nats`` above no change."""
    return nats - 0.5 * ((begin_s - at_s) / deviation_s) ** 2


def test_signals_that_agree_are_pooled_into_one_sharper_beginning():
    begin_s = np.arange(0.0, 60.0, 0.25)
    sharp, blunt, still = gaussian(42.0, 2.0, begin_s, 40.0), gaussian(40.0, 3.0, begin_s, 40.0), 0 * begin_s - 5.0
    alone = beginning(begin_s, pooled([sharp], len(begin_s)).nats)
    pool = pooled([sharp, blunt, still], len(begin_s))
    both = beginning(begin_s, pool.nats)
    assert both.to_s - both.from_s < alone.to_s - alone.from_s
    assert both.at_s == pytest.approx((42.0 / 4 + 40.0 / 9) / (1 / 4 + 1 / 9), abs=0.3)
    assert pool.together[:2].min() > 0.9 and pool.moved[:2].min() > 0.99 and pool.moved[2] < 0.1


def test_a_signal_that_hardly_tells_when_does_not_widen_the_one_that_does():
    """Thrust known to within forty seconds, 1P to within four: the pooled interval is 1P's."""
    begin_s = np.arange(0.0, 60.0, 0.25)
    thrust = np.where((begin_s > 12.5) & (begin_s < 57.0), 20.0, -30.0)
    pool = pooled([thrust, gaussian(55.5, 1.0, begin_s, 30.0)], len(begin_s))
    found = beginning(begin_s, pool.nats)
    assert found.from_s > 52.0 and found.to_s < 58.0 and found.at_s == pytest.approx(55.5, abs=0.5)


def test_signals_that_disagree_began_apart_and_the_first_counts():
    begin_s = np.arange(0.0, 60.0, 0.25)
    pool = pooled([gaussian(20.0, 1.0, begin_s, 60.0), gaussian(45.0, 1.0, begin_s, 60.0)], len(begin_s))
    found = beginning(begin_s, pool.nats)
    assert found.at_s == pytest.approx(20.0, abs=0.3) and found.to_s < 23.0
    assert pool.together[0] > 0.99 and pool.together[1] < 0.01 and pool.moved[1] > 0.99


def test_commands_that_wander_with_the_shaft_are_loose_and_held_ones_are_not():
    rng, frames = np.random.default_rng(1), 400
    rpm, driving = np.full(frames, 4000.0), np.ones(frames, bool)
    walk = 1500.0 + 1.5 * np.sin(2.0 * np.pi * np.arange(frames) / 32.0) + 0.02 * rng.standard_normal(frames)
    noisy = 1500.0 + 0.5 * rng.standard_normal(frames)
    stepped = 1500.0 + 5.0 * (np.arange(frames) // 80)
    far = 1000.0 + 1.5 * np.arange(frames)
    for column, loose in ((walk, True), (noisy, False), (stepped, False), (far, False), (0 * walk + 1500.0, False)):
        command = np.column_stack([column, np.full(frames, np.nan)])
        assert loose_commands(command, rpm, driving, 0.25).tolist() == [loose, False]


def test_the_level_of_a_chi_square_is_that_of_its_table():
    from scipy import stats

    for degrees in (1, 2, 4, 6):
        for level in (8.0, 14.0, 20.0):
            exact = stats.chi2.isf(np.exp(-level), degrees) / 2
            assert half_chi_square(level, degrees) == pytest.approx(exact, abs=0.15)


def test_scatter_of_white_frames_is_that_of_their_slow_sums(make_run):
    """Means over 8 s of 1P must scatter as sigma / sqrt(frames) says."""
    run = make_run(lambda t: np.full_like(t, 4500.0), 400.0, {1: 0.02}, noise_g=0.3, rng=np.random.default_rng(4))
    features = run_features(run)
    points = operating_points(features)
    column = features.signal("1P").columns[0]
    sigma = scatter(features, points).sigma[0, column]
    means = features.values[4 : 4 + 32 * 48, column].reshape(48, 32).mean(axis=1)
    assert means.std(ddof=1) * np.sqrt(32) == pytest.approx(sigma, rel=0.3)


def test_operating_points_join_returns_and_leave_out_moves(make_run):
    def rpm(time_s):
        return np.interp(time_s, [0, 20, 22, 40, 42, 60], [3600, 3600, 4500, 4500, 3600, 3600])

    features = run_features(make_run(rpm, 60.0, {1: 0.3}, noise_g=0.1))
    points = operating_points(features)
    assert len(points.rpm) == 2
    place = points.of_frame[np.searchsorted(features.time_s, [10.0, 21.0, 30.0, 41.0, 50.0])]
    assert place.tolist() == [0, -1, 1, -1, 0]
    assert len(np.unique(points.visit[points.visit >= 0])) == 3


def told(moved: str, recorded: tuple[str, ...], watched: tuple[str, ...]) -> Cause:
    """The cause of an onset in which ``moved`` moved alone."""
    onset = FirstBeginning(10.0, 9.0, 11.0, 12.0, moved, "step", (moved,), (moved,))
    signals = tuple(Signal(name, (), 0.01, SPEED if name in ("current", "speed") else VIBRATION) for name in recorded)
    watches = tuple(Watch(one, None, (), np.empty(0), np.empty(0)) for one in signals if one.name in watched)
    features = SimpleNamespace(signals=signals)
    return told_cause(onset, watches, (features,))


@pytest.mark.parametrize(
    ("recorded", "watched", "thrust", "orders"),
    [
        (("current", "thrust", "1P"), ("current", "thrust", "1P"), "did not", "did not"),
        (("current", "thrust"), ("current", "thrust"), "did not", "were not recorded"),
        (("current", "2P"), ("current", "2P"), "was not recorded", "did not"),
        (("current", "thrust", "1P"), ("current",), "was not judged", "were not judged"),
        (("current",), ("current",), "was not recorded", "were not recorded"),
    ],
)
def test_what_was_not_recorded_is_never_said_not_to_have_moved(recorded, watched, thrust, orders) -> None:
    cause = told("current", recorded, watched)
    assert f"thrust {thrust} and the shaft's own orders {orders}" in cause.why
    assert ("the rotor is not ruled out" in cause.why) is not (thrust == orders == "did not")


def test_a_load_that_moved_without_orders_to_see_does_not_rule_out_the_rotor() -> None:
    assert "orders were not recorded, so the rotor is not" in told("thrust", ("thrust",), ("thrust",)).why
    seen = ("thrust", "1P")
    assert "orders did not: wind" in told("thrust", seen, seen).why
