"""Two blade sets compared: how thrust and power differ at like pitch, and whether that is more than noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.pitch_limits.limits import PitchLimits
from whirlbench.analysis.propeller import CoefficientFit
from whirlbench.errors import AnalysisError


@dataclass(frozen=True)
class Difference:
    """Second set minus first of one quantity at one pitch, relative in percent, with its confidence.

    ``confidence`` is the two-sided probability that the difference is real and not noise (0 to 1).
    """

    quantity: str
    pitch_deg: float
    difference_pct: float
    stderr_pct: float
    confidence: float


def compare_sets(first: PitchLimits, second: PitchLimits, count: int = 7) -> tuple[Difference, ...]:
    """Differences of CT and CP over the pitch range both sets were measured in, at ``count`` pitches.

    Errors that both share (calibration gains) are left out, since they move both sets alike. AnalysisError when the
    measured pitch ranges do not overlap.
    """
    low = max(first.pitch_range_deg[0], second.pitch_range_deg[0])
    high = min(first.pitch_range_deg[1], second.pitch_range_deg[1])
    if low >= high:
        raise AnalysisError(
            f"the two sets share no pitch: {first.pitch_range_deg[0]:.1f} to {first.pitch_range_deg[1]:.1f} deg "
            f"and {second.pitch_range_deg[0]:.1f} to {second.pitch_range_deg[1]:.1f} deg; record holds at like pitches"
        )
    pairs = (("CT", first.propeller.ct, second.propeller.ct), ("CP", first.propeller.cp, second.propeller.cp))
    found: list[Difference] = []
    for name, one, two in pairs:
        if one is not None and two is not None:
            found += [_difference(name, one, two, float(pitch)) for pitch in np.linspace(low, high, count)]
    return tuple(found)


def _difference(name: str, one: CoefficientFit, two: CoefficientFit, pitch_deg: float) -> Difference:
    rpm = math.sqrt(one.reference_rpm * two.reference_rpm)
    values = [float(fit.at(np.array(pitch_deg), np.array(rpm)).value) for fit in (one, two)]
    variance = sum(float(fit.variance(np.array([[rpm, pitch_deg]]))[0]) for fit in (one, two))
    scale = 100.0 / abs(values[0])
    difference, stderr = scale * (values[1] - values[0]), scale * math.sqrt(max(variance, 0.0))
    confidence = math.erf(abs(difference) / (stderr * math.sqrt(2.0))) if stderr else 1.0
    return Difference(name, pitch_deg, difference, stderr, confidence)
