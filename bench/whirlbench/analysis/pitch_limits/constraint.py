"""A limit on a quantity that follows from pitch, coefficient and speed, and its one-sided 95 % bound along pitch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from whirlbench.analysis.propeller import CoefficientFit, Estimate

CONFIDENCE = 0.95
NORMAL_95 = 1.645

Quantity = Callable[[np.ndarray, np.ndarray, float], np.ndarray]  # (pitch_deg, coefficient, rpm) -> value


@dataclass(frozen=True)
class Constraint:
    """A quantity that must not exceed ``limit``; ``fit`` is the coefficient it follows from, None if from none."""

    name: str
    unit: str
    limit: float
    quantity: Quantity
    fit: CoefficientFit | None = None
    scatter: float = 0.0  # extra standard error of the quantity itself, in its unit
    pitch_stderr_deg: float = 0.0  # of the true blade angle against the reading

    def bounds(self, pitch_deg: np.ndarray, rpm: float) -> tuple[np.ndarray, np.ndarray]:
        """Best value and one-sided 95 % upper bound along ``pitch_deg`` at one speed."""
        if self.fit is None:
            best = self.quantity(pitch_deg, np.full_like(pitch_deg, np.nan), rpm)
            return best, best + NORMAL_95 * self._with_pitch_error(best, pitch_deg, np.zeros_like(best))
        estimate = _along(self.fit, pitch_deg.tobytes(), rpm)
        best = self.quantity(pitch_deg, estimate.value, rpm)
        one_error_up = self.quantity(pitch_deg, estimate.value + estimate.stderr, rpm)
        with np.errstate(invalid="ignore"):
            error = self._with_pitch_error(best, pitch_deg, one_error_up - best)
        # infinite where the drive cannot deliver the point at all: no bound is needed there
        return best, np.where(np.isinf(best), np.inf, best + self.fit.quantile(CONFIDENCE) * error)

    def _with_pitch_error(self, best: np.ndarray, pitch_deg: np.ndarray, error: np.ndarray) -> np.ndarray:
        slope = np.gradient(best, pitch_deg)
        result: np.ndarray = np.sqrt(error**2 + self.scatter**2 + (slope * self.pitch_stderr_deg) ** 2)
        return result


@lru_cache(maxsize=128)
def _along(fit: CoefficientFit, pitches: bytes, rpm: float) -> Estimate:
    """The coefficient along a line of pitches (float64 bytes): several constraints ask for the same one."""
    return fit.at(np.frombuffer(pitches), np.asarray(rpm))
