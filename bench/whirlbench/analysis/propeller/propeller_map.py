"""CT and CP against pitch, fitted to settled holds, with their uncertainty.

Each coefficient is a curve over blade angle that may bend anywhere, so that stall is followed and not smoothed away,
with a trend in rpm (Reynolds and Mach number lumped) where the holds can tell one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.propeller.holds import Hold
from whirlbench.analysis.propeller.kriging import Kriging, fit_kriging
from whirlbench.analysis.shaft_power import drive_of, shaft_power_slope, shaft_power_w
from whirlbench.errors import AnalysisError
from whirlbench.physics.coefficients import figure_of_merit, power_coefficient, thrust_coefficient
from whirlbench.rig.description import Rig, require_number

LEAST_PITCHES = 3
PITCH_APART_DEG = 0.5
KINK_WITHIN_DEG = 2.5
TREND_POINTS = 8  # holds that a trend in rpm needs
LEAST_OCTAVES = 0.08  # spread of rpm, in doublings, that a trend needs after pitch explained what it can


@dataclass(frozen=True)
class Estimate:
    """Values with standard errors, arrays of one shape."""

    value: np.ndarray
    stderr: np.ndarray


@dataclass(frozen=True, eq=False)  # by identity: a fit is a key of the cache in ``constraint``
class CoefficientFit:
    """One coefficient against pitch and speed.

    ``freedom`` is the number of degrees of freedom behind its errors; ``trend`` tells whether a trend in rpm was
    fitted; ``kink_deg`` is the pitch at which the curve bends down sharply (stall), None where it does not;
    ``common_pct`` is the relative standard error that all points share (calibration gains), not seen as scatter.
    """

    name: str
    curve: Kriging
    trend: bool
    kink_deg: float | None
    freedom: int
    reference_rpm: float
    pitch_range_deg: tuple[float, float]
    rpm_range: tuple[float, float]
    common_pct: float
    point_stderr: float  # typical standard error of one hold, repeatability included

    def at(self, pitch_deg: np.ndarray, rpm: np.ndarray) -> Estimate:
        """The coefficient at blade angles in degrees and speeds in rpm; beyond the fitted range it extrapolates."""
        pitch, speed = np.broadcast_arrays(np.asarray(pitch_deg, dtype=float), np.asarray(rpm, dtype=float))
        value, variance = self.curve.predict(pitch.ravel(), self._columns(pitch.ravel(), speed.ravel()))
        stderr = np.sqrt(variance + (value * self.common_pct / 100.0) ** 2)
        return Estimate(value.reshape(pitch.shape), stderr.reshape(pitch.shape))

    def covariance(self, here: np.ndarray, there: np.ndarray) -> np.ndarray:
        """Covariance between points ``(n, 2)`` and ``(m, 2)`` of (rpm, pitch in deg); common errors left out."""
        return self.curve.covariance(here[:, 1], self._columns(here[:, 1], here[:, 0]), there[:, 1],
                                     self._columns(there[:, 1], there[:, 0]))  # fmt: skip

    def variance(self, points: np.ndarray) -> np.ndarray:
        """Variance at points ``(n, 2)`` of (rpm, pitch in deg); common errors left out."""
        return self.curve.predict(points[:, 1], self._columns(points[:, 1], points[:, 0]))[1]

    def quantile(self, probability: float) -> float:
        """Student's t quantile for one-sided statements about this fit."""
        from scipy.special import stdtrit

        return float(stdtrit(self.freedom, probability))

    def _columns(self, pitch_deg: np.ndarray, rpm: np.ndarray) -> np.ndarray:
        return _mean_columns(pitch_deg, rpm / self.reference_rpm, self.trend)


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
            f"the holds stand at {distinct} {'pitch' if distinct == 1 else 'pitches'}, around {known.mean():.1f} deg: "
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
    """Curve through ``(n,)`` points at three pitches or more; at least four points, else AnalysisError.

    The points' own errors weigh them; what they scatter beyond that is found as repeatability, never less than none.
    """
    reference_rpm = float(np.exp(np.mean(np.log(rpm))))
    stderr = np.nan_to_num(values.stderr, nan=0.0)
    trend = len(rpm) >= TREND_POINTS and _speed_varies_by_itself(pitch_deg, rpm)
    columns = _mean_columns(pitch_deg, rpm / reference_rpm, trend)
    try:
        curve = fit_kriging(pitch_deg, columns, values.value, stderr)
    except ValueError as error:
        raise AnalysisError(f"{name}: {error}; record more holds, at more pitches") from error
    span = (float(pitch_deg.min()), float(pitch_deg.max()))
    return CoefficientFit(
        name=name,
        curve=curve,
        trend=trend,
        kink_deg=_kink_deg(curve, span, trend),
        freedom=len(rpm) - columns.shape[1],
        reference_rpm=reference_rpm,
        pitch_range_deg=span,
        rpm_range=(float(rpm.min()), float(rpm.max())),
        common_pct=common_pct,
        point_stderr=float(np.sqrt(np.median(curve.variance))),
    )


def _mean_columns(pitch_deg: np.ndarray, speed_ratio: np.ndarray, trend: bool) -> np.ndarray:
    """Constant, pitch and, if wanted, a trend per doubling of rpm that grows with pitch as the coefficient does."""
    columns = [np.ones_like(pitch_deg), pitch_deg / 10.0]
    if trend:
        columns.append(np.log2(speed_ratio) * (1.0 + pitch_deg / 10.0))
    return np.column_stack(columns)


def _speed_varies_by_itself(pitch_deg: np.ndarray, rpm: np.ndarray) -> bool:
    """Whether rpm was varied at like pitches; where it only fell as pitch rose, a trend could not be told apart."""
    rows = np.vander(pitch_deg / 10.0, 3)
    octaves = np.log2(rpm)
    rest = octaves - rows @ np.linalg.lstsq(rows, octaves, rcond=None)[0]
    return float(np.std(rest)) > LEAST_OCTAVES


def _kink_deg(curve: Kriging, span: tuple[float, float], trend: bool) -> float | None:
    """Pitch at which the slope falls to less than half within ``KINK_WITHIN_DEG``, by more than its error."""
    pitch = np.arange(span[0] + KINK_WITHIN_DEG, span[1] - KINK_WITHIN_DEG / 2, 0.25)
    if len(pitch) < 2:
        return None
    places = np.concatenate((pitch - KINK_WITHIN_DEG, pitch, pitch + KINK_WITHIN_DEG))
    value, variance = curve.predict(places, _mean_columns(places, np.ones_like(places), trend))
    before, here, after = value.reshape(3, -1)
    bend = 2 * here - before - after
    worst = int(np.argmax(bend))
    error = math.sqrt(float(variance.reshape(3, -1)[:, worst] @ np.array([1.0, 4.0, 1.0])))
    falls = (after - here)[worst] < 0.5 * (here - before)[worst]
    return float(pitch[worst]) if falls and bend[worst] > 3.0 * error else None
