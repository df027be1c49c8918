"""Single-plane balancing by influence coefficients: how heavy, where, and how sure; from any number of trial runs.

The frame of angles and phases is that of ``vectors``. With V the 1P vectors as found, V_k those with a known trial T_k
added, V_k = H (U + T_k) for every axis and speed, and the correction is -U.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.balance.speed_shift import (
    Together,
    list_rpm,
    same_speeds,
    together,
)
from whirlbench.analysis.balance.vectors import Vectors1P, vectors_1p
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

LEAST_ANSWER = 4.0  # a trial mass must move the vector by so many standard errors
COUPLE_PROBABILITY = 0.01  # below which axes and speeds do not agree by chance
COUPLE_SHARE = 0.1  # of 1P as found, left by the best single mass: less is not worth a second plane; our choice
NORMAL_975 = 1.96
STEPS = 30


@dataclass(frozen=True)
class Trial:
    """A run with one mass added: mass in g, angle in degrees from the mark, radius in mm."""

    run: Run
    mass_g: float
    angle_deg: float
    radius_mm: float

    def vector_g_mm(self) -> complex:
        """The added unbalance; AnalysisError unless mass and radius are above zero."""
        if self.mass_g <= 0 or self.radius_mm <= 0:
            raise AnalysisError(f"trial mass {self.mass_g:g} g at {self.radius_mm:g} mm: both must be above zero")
        return self.mass_g * self.radius_mm * complex(np.exp(1j * np.radians(self.angle_deg)))


@dataclass(frozen=True)
class Influence:
    """Answer of the stand to unbalance, g peak per g mm, per axis and speed: kept, it saves the next trial mass.

    ``log_slope`` is d ln H / d ln rpm with its standard error, None where it is not known.
    """

    rpm: np.ndarray
    axes: tuple[str, ...]
    g_per_g_mm: np.ndarray  # complex (speeds, axes)
    stderr: np.ndarray
    log_slope: np.ndarray | None = None
    log_slope_stderr: np.ndarray | None = None


@dataclass(frozen=True)
class Balance:
    """Unbalance as found, with standard errors (radial and tangential alike), and the influence it was found with.

    ``left_share`` is what stays of 1P (rms over axes and speeds) when this unbalance is taken away, NaN for a single
    axis at a single speed, which cannot tell; ``couple`` says that this is no chance: a part no single mass in this
    plane can mend. ``apart`` is the relative difference between the runs' speeds, ``turn_deg_per_pct`` how far 1P turns
    or changes (as an angle) for each percent of speed.
    """

    unbalance_g_mm: float
    unbalance_deg: float
    stderr_g_mm: float
    stderr_deg: float
    influence: Influence
    left_share: float = float("nan")
    couple: bool = False
    apart: float = 0.0
    turn_deg_per_pct: float = 0.0

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


def balance(as_found: Run, trial: Run, trial_mass_g: float, trial_angle_deg: float, trial_radius_mm: float) -> Balance:
    """Unbalance of ``as_found`` from it and a run with one trial mass added (g, degrees, mm): see ``balance_runs``."""
    return balance_runs(as_found, [Trial(trial, trial_mass_g, trial_angle_deg, trial_radius_mm)])


def balance_runs(as_found: Run, trials: Sequence[Trial]) -> Balance:
    """Unbalance of ``as_found`` from it and any number of runs, each with one trial mass added to the rotor as found.

    All axes and all speeds that every run holds are used together, brought to common speeds (``speed_shift``). Raises
    AnalysisError when the runs share no speed or no trial mass moved the vector (below four standard errors), see
    ``vectors_1p`` for the rest.
    """
    added = [trial.vector_g_mm() for trial in trials]
    return balance_vectors([vectors_1p(as_found), *(vectors_1p(trial.run) for trial in trials)], added)


def balance_vectors(runs: Sequence[Vectors1P], added_g_mm: Sequence[complex]) -> Balance:
    """Unbalance from the 1P vectors as found, first of ``runs``, and those with each of ``added_g_mm`` in turn.

    Generalised least squares of V_k = H (U + T_k) over every axis, speed and run, with errors in all of them (complex
    Gauss-Newton). For one row and one trial this is U = T V0 / (V1 - V0). A misfit larger than the stated errors widens
    them. Source: Bruel & Kjaer Application Note 17-227 (one row); several runs: any text on least squares.
    """
    rows = together(runs)
    known = np.array([0.0, *added_g_mm])
    _require_answer(rows, runs)
    unbalance, influence, covariance, misfit = _least_squares(rows, known)
    probability = _chance(misfit, rows.vectors_g.size - len(rows.vectors_g) - 1)
    free = rows.vectors_g.size - len(rows.vectors_g) - 1
    wide = max(1.0, misfit / (2.0 * free)) if free else 1.0
    stderr = float(np.sqrt(wide * covariance[0, 0].real))
    left = _left(rows.vectors_g[:, 0], influence, unbalance)
    unlike = probability < COUPLE_PROBABILITY
    if unlike:
        unbalance, influence, stderr, left = _despite_a_couple(rows, known, stderr)
    shape = (len(rows.rpm), len(rows.axes))
    error = np.sqrt(wide * np.diagonal(covariance)[1:].real)
    kept = Influence(
        rows.rpm, rows.axes, *(part.reshape(shape) for part in (influence, error, rows.slope, rows.slope_stderr))
    )
    return _result(unbalance, stderr, kept, left, unlike and left > COUPLE_SHARE, rows.apart)


def _require_answer(rows: Together, runs: Sequence[Vectors1P]) -> None:
    """AnalysisError unless some trial moved some vector by enough standard errors."""
    v, c = rows.vectors_g, rows.covariance
    spread = c[:, 0, 0, None].real + np.diagonal(c, axis1=1, axis2=2)[:, 1:].real - 2.0 * c[:, 0, 1:].real
    moved = float((np.abs(v[:, 1:] - v[:, :1]) / np.sqrt(spread)).max())
    if moved >= LEAST_ANSWER:
        return
    own = max(float(run.stderr_g.max()) for run in runs)
    if rows.apart > 0.002 and float(np.sqrt(spread.min())) > 3.0 * own:
        raise AnalysisError(
            f"the runs' speeds differ by {100.0 * rows.apart:.1f} %, and how 1P changes with speed is not known well "
            f"enough: the trial mass stands out by {moved:.1f} standard errors only; repeat it at the same speed"
        )
    raise AnalysisError(
        f"the trial mass moved 1P by only {moved:.1f} standard errors: use a heavier one or a longer hold"
    )


def _least_squares(rows: Together, known: np.ndarray) -> tuple[complex, np.ndarray, np.ndarray, float]:
    """(unbalance, influence of each row, covariance of both, sum of squares of whitened residuals).

    Complex Gauss-Newton from the row that tells most; the covariance is that of each real part.
    """
    v, inverse = rows.vectors_g, np.linalg.inv(rows.covariance)
    unbalance = _first_guess(rows, known)
    count = len(v)
    for _ in range(STEPS):
        total = unbalance + known
        weighed = np.einsum("k,rkl->rl", np.conj(total), inverse)
        influence = np.einsum("rl,rl->r", weighed, v) / np.einsum("rl,l->r", weighed, total)
        rest = v - influence[:, None] * total
        jacobian = np.zeros((count, len(known), count + 1), complex)
        jacobian[:, :, 0] = influence[:, None]
        jacobian[np.arange(count), :, np.arange(count) + 1] = total
        weighted = np.einsum("rkp,rkl->rlp", np.conj(jacobian), inverse)
        information = np.einsum("rlp,rlq->pq", weighted, jacobian)
        step = np.linalg.solve(information, np.einsum("rlp,rl->p", weighted, rest))[0]
        unbalance += complex(step)
        if abs(step) < 1e-9 * float(np.abs(known).max()):
            break
    misfit = float(np.einsum("rk,rkl,rl->", np.conj(rest), inverse, rest).real)
    return unbalance, influence, np.linalg.inv(information), misfit


def _first_guess(rows: Together, known: np.ndarray) -> complex:
    """U of the row whose vector the trials moved most, by the straight line V = A + H T: U = A / H."""
    columns = np.column_stack((np.ones_like(known), known))
    line = np.linalg.lstsq(columns, rows.vectors_g.T, rcond=None)[0]
    clear = np.abs(line[1]) / np.sqrt(rows.covariance[:, 0, 0].real)
    best = int(np.argmax(clear))
    return complex(line[0, best] / line[1, best])


def _chance(misfit: float, free: int) -> float:
    """Probability of a misfit as large by chance; 1 where nothing is left to misfit."""
    from scipy.special import chdtrc

    return float(chdtrc(2.0 * free, misfit)) if free > 0 else 1.0


def _left(found: np.ndarray, influence: np.ndarray, unbalance: complex) -> float:
    """What stays of the rows as found (rms, as a share) once ``unbalance`` is taken away; NaN for a single row."""
    if len(found) < 2:
        return float("nan")
    return float(np.linalg.norm(found - influence * unbalance) / np.linalg.norm(found))


def _despite_a_couple(rows: Together, known: np.ndarray, stderr: float) -> tuple[complex, np.ndarray, float, float]:
    """The single mass that leaves least 1P where a part is there that no mass in this plane answers for.

    That part is in every run alike, so each row's influence comes from the trials alone, V = A + H T, and the mass from
    A = H U in plain least squares. Its error is that of the rows' disagreement, with Student's t for so few of them.
    Also gives influence and share left.
    """
    from scipy.special import stdtrit

    columns = np.column_stack((np.ones_like(known), known))
    (found, influence) = np.linalg.lstsq(columns, rows.vectors_g.T, rcond=None)[0]
    power = float((np.abs(influence) ** 2).sum())
    unbalance = complex((np.conj(influence) * found).sum() / power)
    free = 2.0 * max(len(found) - 1, 1)
    rest = float((np.abs(found - influence * unbalance) ** 2).sum()) / free
    few = float(stdtrit(free, 0.975)) / NORMAL_975
    left = _left(rows.vectors_g[:, 0], influence, unbalance)
    return unbalance, influence, max(few * float(np.sqrt(rest / power)), stderr), left


def balance_with_influence(run: Run, influence: Influence) -> Balance:
    """Unbalance of ``run`` from an influence measured before on the same stand: no trial mass needed.

    Raises AnalysisError when the run holds none of the speeds, or shares no axis, of ``influence``. The errors of the
    influence are taken as common to all rows, for they share one trial mass: the wider of what could be.
    """
    vectors = vectors_1p(run)
    pairs = same_speeds(vectors.rpm, influence.rpm)
    shared = [axis for axis in vectors.axes if axis in influence.axes]
    if not pairs or not shared:
        raise AnalysisError(
            f"the kept influence is for {list_rpm(influence.rpm)} on {', '.join(influence.axes)}: "
            f"the run holds {list_rpm(vectors.rpm)} on {', '.join(vectors.axes)}"
        )
    here, there = (list(index) for index in zip(*pairs, strict=True))
    own = vectors.taken(here, [vectors.axes.index(axis) for axis in shared])
    rows = np.ix_(there, [influence.axes.index(axis) for axis in shared])
    answer = Vectors1P(
        influence.rpm[there],
        tuple(shared),
        influence.g_per_g_mm[rows],
        influence.stderr[rows],
        None if influence.log_slope is None else influence.log_slope[rows],
        None if influence.log_slope_stderr is None else influence.log_slope_stderr[rows],
    )
    return _by_influence(own, answer, influence)


def _by_influence(own: Vectors1P, answer: Vectors1P, influence: Influence) -> Balance:
    """``own`` vectors against the ``answer`` of the same speeds and axes, itself kept as vectors for 1 g mm."""
    pair = together([answer, own])
    h, v = pair.vectors_g.T
    variance = np.diagonal(pair.covariance, axis1=1, axis2=2).real
    common = pair.covariance[:, 0, 1]
    rough = (v @ np.conj(h)) / (np.abs(h) ** 2).sum()
    own_part = variance[:, 1] + np.abs(rough) ** 2 * variance[:, 0] - 2.0 * (np.conj(rough) * np.conj(common)).real
    weight = 1.0 / np.maximum(own_part, 1e-18)
    information = float((weight * np.abs(h) ** 2).sum())
    unbalance = complex((weight * v * np.conj(h)).sum() / information)
    rest = v - h * unbalance
    misfit, free = float((weight * np.abs(rest) ** 2).sum()), len(v) - 1
    wide = max(1.0, misfit / (2.0 * free)) if free else 1.0
    share = float((weight * np.abs(h) * np.sqrt(variance[:, 0])).sum()) / information
    stderr = float(np.hypot(np.sqrt(wide / information), abs(unbalance) * share))
    left = _left(v, h, unbalance)
    couple = _chance(misfit, free) < COUPLE_PROBABILITY and left > COUPLE_SHARE
    return _result(unbalance, stderr, influence, left, couple, pair.apart)


def correction_for(unbalance_g_mm: complex, radius_mm: float) -> Correction:
    """The single mass at ``radius_mm`` (mm, above zero) that cancels ``unbalance_g_mm``."""
    if radius_mm <= 0:
        raise AnalysisError(f"radius {radius_mm:g} mm: a correction radius must be above zero")
    return Correction(abs(unbalance_g_mm) / radius_mm, _degrees(-unbalance_g_mm), radius_mm)


def _result(
    unbalance: complex, stderr: float, influence: Influence, left: float, couple: bool, apart: float
) -> Balance:
    size = abs(unbalance)
    angle_error = np.degrees(stderr / size) if size > 0 else 180.0
    turn = 0.0 if influence.log_slope is None else float(np.abs(influence.log_slope).max())
    return Balance(
        size, _degrees(unbalance), stderr, float(min(angle_error, 180.0)), influence, left, couple, apart,
        float(np.degrees(turn)) / 100.0,
    )  # fmt: skip


def _degrees(vector: complex) -> float:
    return float(np.degrees(np.angle(vector)) % 360.0)
