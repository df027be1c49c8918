"""CT and CP against pitch, fitted to settled holds, with their uncertainty.

Each coefficient is a low polynomial in blade angle, if the data ask for it with one kink (stall) and with a trend in
rpm (Reynolds and Mach number lumped). Which of these terms are there is decided by the corrected Akaike criterion
(Burnham and Anderson, Model Selection and Multimodel Inference, 2002; formula from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bench.analysis.holds import Hold
from bench.analysis.shaft_power import drive_of, shaft_power_slope, shaft_power_w
from bench.errors import AnalysisError
from bench.physics.coefficients import figure_of_merit, power_coefficient, thrust_coefficient
from bench.rig.description import Rig, require_number

LEAST_PITCHES = 3
PITCH_APART_DEG = 0.5
KINK_MARGIN_DEG = 1.5
LACK_OF_FIT = 0.002  # relative: what a smooth polynomial may miss of a real curve; keeps chi-square finite


@dataclass(frozen=True)
class Shape:
    """Which terms a fitted coefficient has."""

    degree: int
    kink_deg: float | None
    trend: bool

    def size(self) -> int:
        """Number of fitted parameters, the kink's place counted."""
        return 1 + self.degree + (2 if self.kink_deg is not None else 0) + self.trend

    def basis(self, pitch_deg: np.ndarray, rpm: np.ndarray, trend_of: np.ndarray) -> np.ndarray:
        """Columns of the linear model, ``(n, terms)``."""
        place = np.asarray(pitch_deg, dtype=float) / 10.0  # tens of degrees: keeps the columns of one size
        columns = [place**power for power in range(self.degree + 1)]
        if self.kink_deg is not None:
            columns.append(np.maximum(place - self.kink_deg / 10.0, 0.0))
        if self.trend:
            columns.append(trend_of * np.log2(np.asarray(rpm, dtype=float)))
        return np.column_stack([np.broadcast_to(column, np.shape(place)) for column in columns])


@dataclass(frozen=True)
class Estimate:
    """Values with standard errors, arrays of one shape."""

    value: np.ndarray
    stderr: np.ndarray


@dataclass(frozen=True)
class CoefficientFit:
    """One coefficient against pitch and speed.

    ``covariance`` already holds the scatter about the fit; ``freedom`` is the number of degrees of freedom behind
    it; ``common_pct`` is the relative standard error that all points share (calibration gains), not seen as scatter.
    """

    name: str
    shape: Shape
    parameters: np.ndarray
    covariance: np.ndarray
    freedom: int
    reference_rpm: float
    level: float  # typical value: what the rpm trend is relative to
    pitch_range_deg: tuple[float, float]
    rpm_range: tuple[float, float]
    scatter: float  # root mean square of the normalised residuals
    common_pct: float
    point_stderr: float  # typical standard error of one hold, scatter included

    def basis(self, pitch_deg: np.ndarray, rpm: np.ndarray) -> np.ndarray:
        """Rows of the linear model at the given points."""
        pitch_deg, rpm = np.broadcast_arrays(np.asarray(pitch_deg, dtype=float), np.asarray(rpm, dtype=float))
        return self.shape.basis(pitch_deg.ravel(), rpm.ravel() / self.reference_rpm, np.array(self.level))

    def at(self, pitch_deg: np.ndarray, rpm: np.ndarray) -> Estimate:
        """The coefficient at blade angles in degrees and speeds in rpm; beyond the fitted range it extrapolates."""
        shape = np.broadcast_shapes(np.shape(pitch_deg), np.shape(rpm))
        rows = self.basis(pitch_deg, rpm)
        value = rows @ self.parameters
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows) + (value * self.common_pct / 100.0) ** 2
        return Estimate(value.reshape(shape), np.sqrt(variance).reshape(shape))

    def quantile(self, probability: float) -> float:
        """Student's t quantile for one-sided statements about this fit."""
        from scipy.special import stdtrit

        return float(stdtrit(self.freedom, probability))


@dataclass(frozen=True)
class Points:
    """Coefficients of the single holds: arrays ``(n,)``; NaN where a quantity was not recorded."""

    pitch_deg: np.ndarray
    rpm: np.ndarray
    ct: Estimate
    cp: Estimate
    merit: np.ndarray
    complaints: tuple[str, ...]
    power_is_electrical: bool


@dataclass(frozen=True)
class PropellerMap:
    """What the holds say of the propeller; a fit is None where its channels were not recorded."""

    points: Points
    ct: CoefficientFit | None
    cp: CoefficientFit | None
    density_kg_m3: float
    diameter_m: float


def coefficient_points(holds: Sequence[Hold], rig: Rig, density_kg_m3: float) -> Points:
    """CT and CP of every hold, with errors carried over from its means.

    Needs ``propeller.diameter_m``. Shaft power comes from electrical power through the motor constants; where the rig
    lacks them CP is that of the electrical power, and ``power_is_electrical`` says so. Implausible points (figure of
    merit above 1, or negative power) are named in ``complaints`` and kept: the user decides what was wrong.
    """
    diameter_m = require_number(rig, "propeller.diameter_m", "thrust and power coefficients")
    rpm, rpm_error = _column(holds, "rpm")
    thrust, thrust_error = _column(holds, "thrust_n")
    power, power_error = _column(holds, "power_w")
    drive = drive_of(rig)
    if drive is not None:
        slope = shaft_power_slope(drive, power, rpm)
        power, power_error = shaft_power_w(drive, power, rpm), power_error * slope
    ct = np.asarray(thrust_coefficient(thrust, rpm, diameter_m, density_kg_m3))
    cp = np.asarray(power_coefficient(power, rpm, diameter_m, density_kg_m3))
    speed_part = rpm_error / rpm
    ct_error = np.abs(ct) * np.hypot(thrust_error / np.where(thrust == 0, np.nan, thrust), 2 * speed_part)
    cp_error = np.abs(cp) * np.hypot(power_error / np.where(power == 0, np.nan, power), 3 * speed_part)
    merit = np.asarray(figure_of_merit(ct, cp))
    pitch, _ = _column(holds, "pitch_deg")
    complaints = tuple(_implausible(holds, merit, cp))
    return Points(pitch, rpm, Estimate(ct, ct_error), Estimate(cp, cp_error), merit, complaints, drive is None)


def _column(holds: Sequence[Hold], name: str) -> tuple[np.ndarray, np.ndarray]:
    measured = [getattr(hold, name) for hold in holds]
    return np.array([item.mean for item in measured]), np.array([item.stderr for item in measured])


def _implausible(holds: Sequence[Hold], merit: np.ndarray, cp: np.ndarray) -> Iterator[str]:
    for hold, value, power in zip(holds, merit, cp, strict=True):
        where = f"{hold.source or 'run'} {hold.from_s:.1f}-{hold.to_s:.1f} s"
        if value >= 1.0:
            yield f"{where}: figure of merit {value:.2f}, above 1 nothing real: check thrust and current calibration"
        elif power <= 0.0:
            yield f"{where}: power coefficient {power:.4f}, not above 0: check current zero and motor constants"


def fit_map(holds: Sequence[Hold], rig: Rig, density_kg_m3: float) -> PropellerMap:
    """Fitted CT and CP over all ``holds``.

    AnalysisError when pitch was not recorded, when there are fewer than three distinct pitches (half a degree apart),
    or when neither thrust nor current and voltage were recorded.
    """
    points = coefficient_points(holds, rig, density_kg_m3)
    _require_pitches(points.pitch_deg)
    current_pct = _gain_pct(rig, "current_a")
    power_pct = math.hypot(current_pct, _gain_pct(rig, "voltage_v"))
    ct = _fit_if_recorded("CT", points, points.ct, _gain_pct(rig, "thrust_n"))
    cp = _fit_if_recorded("CP", points, points.cp, power_pct)
    if ct is None and cp is None:
        raise AnalysisError("no hold has thrust, nor current and voltage: record at least one of them")
    diameter_m = require_number(rig, "propeller.diameter_m", "thrust and power coefficients")
    return PropellerMap(points, ct, cp, density_kg_m3, diameter_m)


def _gain_pct(rig: Rig, channel: str) -> float:
    calibration = rig.calibration.get(channel)
    return calibration.stderr_gain_pct if calibration else 0.0


def _require_pitches(pitch_deg: np.ndarray) -> None:
    known = np.sort(pitch_deg[np.isfinite(pitch_deg)])
    if not len(known):
        raise AnalysisError("pitch was not recorded in any hold: wire the feedback, or give the rig a pitch.table")
    distinct = 1 + int(np.sum(np.diff(known) > PITCH_APART_DEG))
    if distinct < LEAST_PITCHES:
        raise AnalysisError(
            f"the holds stand at {distinct} pitch(es), around {known.mean():.1f} deg: "
            f"record holds at {LEAST_PITCHES} pitches or more, at least {PITCH_APART_DEG:g} deg apart"
        )


def _fit_if_recorded(name: str, points: Points, values: Estimate, common_pct: float) -> CoefficientFit | None:
    good = np.isfinite(values.value) & np.isfinite(points.pitch_deg) & np.isfinite(points.rpm)
    if good.sum() < LEAST_PITCHES + 1:
        return None
    return fit_coefficient(
        name, points.pitch_deg[good], points.rpm[good], Estimate(values.value[good], values.stderr[good]), common_pct
    )


def fit_coefficient(
    name: str, pitch_deg: np.ndarray, rpm: np.ndarray, values: Estimate, common_pct: float = 0.0
) -> CoefficientFit:
    """Best of all candidate shapes through ``(n,)`` points; at least four points, three pitches.

    Weighted least squares with the points' own errors (plus a small lack-of-fit floor); the covariance is inflated
    by the reduced chi-square where the scatter exceeds the errors, never shrunk. Ties go to the smaller model.
    """
    reference_rpm = float(np.exp(np.mean(np.log(rpm))))
    level = float(np.mean(values.value))
    floor = LACK_OF_FIT * max(abs(level), 1e-12)
    sigma = np.hypot(np.nan_to_num(values.stderr, nan=0.0), floor)
    best: tuple[float, CoefficientFit] | None = None
    for shape in _candidate_shapes(pitch_deg, rpm):
        fit = _fit_shape(name, shape, pitch_deg, rpm, values.value, sigma, reference_rpm, level, common_pct)
        if fit is not None and (best is None or fit[0] < best[0] - 1e-9):
            best = fit
    if best is None:
        raise AnalysisError(f"{name}: {len(pitch_deg)} holds are too few for any model; record more pitches")
    return best[1]


def _candidate_shapes(pitch_deg: np.ndarray, rpm: np.ndarray) -> Iterator[Shape]:
    distinct = 1 + int(np.sum(np.diff(np.sort(pitch_deg)) > PITCH_APART_DEG))
    trends = (False, True) if rpm.max() / rpm.min() > 1.15 else (False,)
    kinks = np.arange(pitch_deg.min() + KINK_MARGIN_DEG, pitch_deg.max() - KINK_MARGIN_DEG / 2, 0.25)
    for trend in trends:
        for degree in range(1, min(4, distinct)):
            yield Shape(degree, None, trend)
        if distinct >= 6:
            for degree in (1, 2):
                for kink in kinks:
                    beyond = np.sort(pitch_deg[pitch_deg > kink])
                    if len(beyond) >= 2 and beyond[-1] - beyond[0] > PITCH_APART_DEG:
                        yield Shape(degree, float(kink), trend)


def _fit_shape(
    name: str, shape: Shape, pitch_deg: np.ndarray, rpm: np.ndarray, values: np.ndarray, sigma: np.ndarray,
    reference_rpm: float, level: float, common_pct: float,
) -> tuple[float, CoefficientFit] | None:  # fmt: skip
    """(criterion, fit) of one shape, or None when the points cannot carry it."""
    count, size = len(values), shape.size()
    if count - size < 2:
        return None
    rows = shape.basis(pitch_deg, rpm / reference_rpm, np.array(level)) / sigma[:, None]
    parameters, _, rank, _ = np.linalg.lstsq(rows, values / sigma, rcond=1e-10)
    if rank < rows.shape[1]:
        return None
    rest = values / sigma - rows @ parameters
    chi_square = float(rest @ rest)
    scatter = math.sqrt(chi_square / (count - size))
    covariance = np.linalg.inv(rows.T @ rows) * max(1.0, scatter) ** 2
    # The scale of the errors is itself estimated, hence n ln(chi2): the criterion for unknown variance.
    criterion = count * math.log(max(chi_square, 1e-12) / count) + 2 * size * count / (count - size - 1)
    fit = CoefficientFit(
        name, shape, parameters, covariance, count - size, reference_rpm, level,
        (float(pitch_deg.min()), float(pitch_deg.max())), (float(rpm.min()), float(rpm.max())), scatter, common_pct, float(np.median(sigma)) * max(1.0, scatter),
    )  # fmt: skip
    return criterion, fit
