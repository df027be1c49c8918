"""Single-plane balancing by influence coefficients: how heavy, where, and how sure.

Angles are measured on the rotor from the mark that fires the tach, in the direction of rotation. With the vibration
phasor taken as in ``orders`` (acceleration = real part of V exp(2 pi j turn), turn zero at the mark), a mass at angle A
acts as U = m r exp(jA) and V = H U, so angles on the rotor and phases of V count the same way round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import OrderTracks, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

SPEED_TOLERANCE = 0.03  # runs are compared where their speeds differ by less than 3 %; our choice
STEADY_RPM_PER_S = 0.02  # a frame is steady when its speed changes by less than 2 % in a second
LEAST_FRAMES = 6
LEAST_ANSWER = 4.0  # the trial mass must move the vector by so many standard errors
SPEED_BIN = 0.02  # frames within 2 % of speed are averaged together


@dataclass(frozen=True)
class Vectors1P:
    """1P vectors of one run per axis and speed: mean phasor in g peak, and its standard error (each part)."""

    rpm: np.ndarray
    axes: tuple[str, ...]
    phasor_g: np.ndarray  # (speeds, axes)
    stderr_g: np.ndarray


@dataclass(frozen=True)
class Influence:
    """Answer of the stand to unbalance, g peak per g mm, per axis and speed: kept, it saves the next trial mass."""

    rpm: np.ndarray
    axes: tuple[str, ...]
    g_per_g_mm: np.ndarray  # complex (speeds, axes)
    stderr: np.ndarray


@dataclass(frozen=True)
class Balance:
    """Unbalance as found, with standard errors (radial and tangential alike), and the influence it was found with."""

    unbalance_g_mm: float
    unbalance_deg: float
    stderr_g_mm: float
    stderr_deg: float
    influence: Influence

    @property
    def vector_g_mm(self) -> complex:
        """Unbalance as a complex number, real axis through the mark."""
        return self.unbalance_g_mm * complex(np.exp(1j * np.radians(self.unbalance_deg)))


@dataclass(frozen=True)
class Correction:
    """Mass to add at ``radius_mm``, ``angle_deg`` from the mark in the direction of rotation."""

    mass_g: float
    angle_deg: float
    radius_mm: float


def vectors_1p(run: Run) -> Vectors1P:
    """1P vectors of the steady parts of a run, averaged within 2 % of speed.

    Raises AnalysisError without tach pulses (phase has no mark), without vibration, with several pulses a revolution
    (which of them is the mark is not known) or with no steady stretch of about two seconds.
    """
    name = run.source or "the run"
    if len(run.tach.time_s) < 4:
        raise AnalysisError(f"{name}: no tach pulses: the phase of 1P has no mark to be measured from")
    if run.tach.pulses_per_rev != 1:
        raise AnalysisError(f"{name}: {run.tach.pulses_per_rev} tach pulses a revolution: balancing needs one mark")
    if not run.vibration.axes():
        raise AnalysisError(f"{name}: no vibration was recorded: there is nothing to balance by")
    tracks = track_orders(run, (1,))
    steady = _steady(tracks)
    if steady.sum() < LEAST_FRAMES:
        raise AnalysisError(f"{name}: no steady stretch: hold the speed within 2 % for at least two seconds")
    return _averaged(tracks, steady)


def balance(as_found: Run, trial: Run, trial_mass_g: float, trial_angle_deg: float, trial_radius_mm: float) -> Balance:
    """Unbalance of ``as_found`` from it and a run with one trial mass added (g, degrees, mm).

    All axes and all speeds that both runs hold are used together. Raises AnalysisError when the runs share no speed or
    the trial mass hardly moved the vector (below four standard errors), see ``vectors_1p`` for the rest.
    """
    if trial_mass_g <= 0 or trial_radius_mm <= 0:
        raise AnalysisError(f"trial mass {trial_mass_g:g} g at {trial_radius_mm:g} mm: both must be above zero")
    added = trial_mass_g * trial_radius_mm * complex(np.exp(1j * np.radians(trial_angle_deg)))
    first, second = matched(vectors_1p(as_found), vectors_1p(trial))
    return balance_vectors(first, second, added)


def balance_vectors(first: Vectors1P, second: Vectors1P, added_g_mm: complex) -> Balance:
    """Unbalance from matched 1P vectors without and with ``added_g_mm``.

    Weighted least squares over every axis and speed, errors in both vectors allowed for (rank-one total least squares:
    the pair (V0, V1) is H times (U, U + added) for every row, so the best row direction gives U). For one row this is
    U = added V0 / (V1 - V0). Source: Bruel & Kjaer Application Note 17-227 (one row); rank-one fit our own.
    """
    v0, v1, sigma = _rows(first, second)
    moved = np.abs(v1 - v0) / (np.sqrt(2.0) * sigma)
    if moved.max() < LEAST_ANSWER:
        raise AnalysisError(
            f"the trial mass moved 1P by only {moved.max():.1f} standard errors: use a heavier one or a longer hold"
        )
    unbalance, stderr = _rank_one(v0, v1, sigma, added_g_mm)
    return _result(unbalance, stderr, _influence(first, second, unbalance, added_g_mm))


def balance_with_influence(run: Run, influence: Influence) -> Balance:
    """Unbalance of ``run`` from an influence measured before on the same stand: no trial mass needed.

    Raises AnalysisError when the run holds none of the speeds, or shares no axis, of ``influence``.
    """
    vectors = vectors_1p(run)
    pairs = _same_speeds(vectors.rpm, influence.rpm)
    shared = [axis for axis in vectors.axes if axis in influence.axes]
    if not pairs or not shared:
        raise AnalysisError(
            f"the kept influence is for {_list_rpm(influence.rpm)} on {', '.join(influence.axes)}: "
            f"the run holds {_list_rpm(vectors.rpm)} on {', '.join(vectors.axes)}"
        )
    here, there = (list(index) for index in zip(*pairs, strict=True))
    columns = [(vectors.axes.index(axis), influence.axes.index(axis)) for axis in shared]
    own, known = (list(index) for index in zip(*columns, strict=True))
    scale = (influence.rpm[there] / vectors.rpm[here])[:, None] ** 2
    v = (vectors.phasor_g[np.ix_(here, own)] * scale).ravel()
    h = influence.g_per_g_mm[np.ix_(there, known)].ravel()
    sigma_v = vectors.stderr_g[np.ix_(here, own)].ravel()
    sigma_h = influence.stderr[np.ix_(there, known)].ravel()
    rough = v @ np.conj(h) / (np.abs(h) ** 2).sum()
    weight = 1.0 / (sigma_v**2 + np.abs(rough) ** 2 * sigma_h**2)
    information = float((weight * np.abs(h) ** 2).sum())
    unbalance = complex((weight * v * np.conj(h)).sum() / information)
    return _result(unbalance, float(information**-0.5), influence)


def correction_for(unbalance_g_mm: complex, radius_mm: float) -> Correction:
    """The single mass at ``radius_mm`` (mm, above zero) that cancels ``unbalance_g_mm``."""
    if radius_mm <= 0:
        raise AnalysisError(f"radius {radius_mm:g} mm: a correction radius must be above zero")
    return Correction(abs(unbalance_g_mm) / radius_mm, _degrees(-unbalance_g_mm), radius_mm)


def matched(first: Vectors1P, second: Vectors1P) -> tuple[Vectors1P, Vectors1P]:
    """Both runs' vectors at the speeds and axes they share, the second scaled to the first's speed by rpm squared."""
    pairs = _same_speeds(first.rpm, second.rpm)
    axes = tuple(axis for axis in first.axes if axis in second.axes)
    if not pairs or not axes:
        raise AnalysisError(
            f"the runs share no speed and axis: {_list_rpm(first.rpm)} on {', '.join(first.axes)} against "
            f"{_list_rpm(second.rpm)} on {', '.join(second.axes)}; repeat the hold within 3 % of the same speed"
        )
    one, two = (list(index) for index in zip(*pairs, strict=True))
    scale = (first.rpm[one] / second.rpm[two])[:, None] ** 2
    kept1, kept2 = [first.axes.index(axis) for axis in axes], [second.axes.index(axis) for axis in axes]
    rpm = first.rpm[one]
    return (
        Vectors1P(rpm, axes, first.phasor_g[np.ix_(one, kept1)], first.stderr_g[np.ix_(one, kept1)]),
        Vectors1P(rpm, axes, second.phasor_g[np.ix_(two, kept2)] * scale, second.stderr_g[np.ix_(two, kept2)] * scale),
    )


def _steady(tracks: OrderTracks) -> np.ndarray:
    """Frames in which the speed holds and every axis has its 1P."""
    good = np.isfinite(tracks.rpm) & np.isfinite(tracks.phasor_g).all(axis=(0, 2))
    if good.sum() < LEAST_FRAMES:
        result: np.ndarray = good & False
        return result
    step_s = float(tracks.time_s[1] - tracks.time_s[0])
    change = np.abs(np.gradient(tracks.rpm)) / step_s
    result = good & (np.nan_to_num(change, nan=np.inf) < STEADY_RPM_PER_S * tracks.rpm)
    return result


def _averaged(tracks: OrderTracks, steady: np.ndarray) -> Vectors1P:
    """Means within bins of speed; a frame overlaps the next by half, which the standard error allows for."""
    rpm, phasor = tracks.rpm[steady], tracks.phasor_g[:, steady, 0]
    order = np.argsort(rpm)
    groups = np.split(order, np.flatnonzero(np.diff(rpm[order]) > SPEED_BIN * rpm[order][1:]) + 1)
    groups = [group for group in groups if len(group) >= LEAST_FRAMES]
    if not groups:
        raise AnalysisError("no speed was held for long enough: hold it within 2 % for at least two seconds")
    means, errors = [], []
    for group in groups:
        values = phasor[:, np.sort(group)]
        means.append(values.mean(axis=1))
        errors.append([_standard_error(row) for row in values])
    return Vectors1P(np.array([rpm[g].mean() for g in groups]), tracks.axes, np.array(means), np.array(errors))


def _standard_error(values: np.ndarray) -> float:
    """Standard error of each part of the mean of a correlated complex series (batch means, sqrt(n) batches)."""
    batches = max(3, int(np.sqrt(len(values))))
    means = np.array([batch.mean() for batch in np.array_split(values, batches)])
    spread = np.sqrt(((means - means.mean()).real.var(ddof=1) + (means - means.mean()).imag.var(ddof=1)) / 2)
    return float(max(spread / np.sqrt(batches), 1e-6))


def _rows(first: Vectors1P, second: Vectors1P) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows of both runs with one standard error for both vectors of a row."""
    sigma = np.sqrt((first.stderr_g**2 + second.stderr_g**2) / 2).ravel()
    return first.phasor_g.ravel(), second.phasor_g.ravel(), sigma


def _rank_one(v0: np.ndarray, v1: np.ndarray, sigma: np.ndarray, added: complex) -> tuple[complex, float]:
    """(unbalance, standard error of each part of it) of the best rank-one fit to whitened rows.

    The row direction (p, q) is uncertain by 1 / singular value across itself; U = added p / (q - p) carries that on.
    A misfit larger than the stated errors widens them (ratio of the second singular value to its expectation).
    """
    _, singular, right = np.linalg.svd(np.column_stack([v0, v1]) / sigma[:, None], full_matrices=False)
    p, q = right[0]
    unbalance = complex(added * p / (q - p))
    excess = 1.0
    if len(v0) > 1:
        excess = max(1.0, float(singular[1]) / np.sqrt(2.0 * (len(v0) - 1)))
    across = excess / float(singular[0])
    return unbalance, float(abs(added) * across / abs(q - p) ** 2)


def _influence(first: Vectors1P, second: Vectors1P, unbalance: complex, added: complex) -> Influence:
    """Least-squares influence of each row, given the unbalance."""
    u0, u1 = unbalance, unbalance + added
    size = abs(u0) ** 2 + abs(u1) ** 2
    h = (first.phasor_g * np.conj(u0) + second.phasor_g * np.conj(u1)) / size
    sigma = np.sqrt((first.stderr_g**2 + second.stderr_g**2) / 2)
    return Influence(first.rpm, first.axes, h, sigma / np.sqrt(size))


def _result(unbalance: complex, stderr: float, influence: Influence) -> Balance:
    size = abs(unbalance)
    angle_error = np.degrees(stderr / size) if size > 0 else 180.0
    return Balance(size, _degrees(unbalance), stderr, float(min(angle_error, 180.0)), influence)


def _degrees(vector: complex) -> float:
    return float(np.degrees(np.angle(vector)) % 360.0)


def _same_speeds(first: np.ndarray, second: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of indices whose speeds agree within 3 %, each to its nearest."""
    pairs = [(one, int(np.argmin(np.abs(second - rpm)))) for one, rpm in enumerate(first)]
    return [(one, two) for one, two in pairs if abs(second[two] / first[one] - 1) < SPEED_TOLERANCE]


def _list_rpm(rpm: np.ndarray) -> str:
    return ", ".join(f"{one:.0f}" for one in rpm) + " rpm"
