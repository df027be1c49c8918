"""What a speed loop can answer to a step: closed forms, their averages over a tach period, their spectra.

A tach tells the *average* speed between two edges, so the averages are as exact here as the instantaneous values:
every form is a sum of exponentials and its repeated integrals are written down, not computed by sampling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

Form = Literal["first_order", "second_order", "integrating"]
STEP_IS_SUDDEN_S = 1e-3  # an input that moves faster than this is a step: below the 2 ms tick of the device
EQUAL_LAGS = 1e-4  # damping ratios closer to one than this are moved off it: the two exponentials would coincide


@dataclass(frozen=True)
class LoopModel:
    """Linear answer of the speed in rpm to one input, with a dead time before it.

    ``first_order``: gain / (T s + 1). ``second_order``: gain w^2 / (s^2 + 2 z w s + w^2), any damping ratio z > 0.
    ``integrating``: gain / s, the gain then being rpm per unit of input *per second*.
    A parameter that the form does not have is NaN.
    """

    form: Form
    gain: float
    dead_time_s: float
    time_constant_s: float = math.nan
    damping_ratio: float = math.nan
    natural_frequency_rad_s: float = math.nan

    def parameters(self) -> dict[str, float]:
        """The parameters that the form has, by name, in the order the fit reports them."""
        return {name: getattr(self, name) for name in PARAMETERS[self.form]}

    def lags_s(self) -> tuple[float, ...]:
        """Real time constants in s, largest first; an under-damped pair counts as two lags of 1 / w each."""
        if self.form == "integrating":
            return ()
        if self.form == "first_order":
            return (self.time_constant_s,)
        z, w = self.damping_ratio, self.natural_frequency_rad_s
        if z < 1.0:
            return (1.0 / w, 1.0 / w)
        root = math.sqrt(z * z - 1.0)
        return ((z + root) / w, 1.0 / (w * (z + root)))

    def settled_after_s(self, part: float = 0.02) -> float:
        """Seconds from the input's step until the envelope of the answer is within ``part`` of its end; inf if never.

        The envelope of the slowest exponential; 4 T and 4 / (z w) for two per cent, as in the textbooks.
        """
        if self.form == "integrating":
            return math.inf
        _, poles = exponentials(self)
        return self.dead_time_s + math.log(1.0 / part) / float(np.min(-poles.real))

    def frequency_response(self, omega_rad_s: np.ndarray) -> np.ndarray:
        """Complex gain at ``omega_rad_s`` (> 0), same shape, in the unit of ``gain``."""
        s = 1j * np.asarray(omega_rad_s, dtype=float)
        if self.form == "integrating":
            shape = 1.0 / s
        elif self.form == "first_order":
            shape = 1.0 / (self.time_constant_s * s + 1.0)
        else:
            w = self.natural_frequency_rad_s
            shape = w * w / (s * s + 2.0 * self.damping_ratio * w * s + w * w)
        result: np.ndarray = self.gain * shape * np.exp(-s * self.dead_time_s)
        return result


PARAMETERS: dict[Form, tuple[str, ...]] = {
    "first_order": ("gain", "time_constant_s", "dead_time_s"),
    "second_order": ("gain", "damping_ratio", "natural_frequency_rad_s", "dead_time_s"),
    "integrating": ("gain", "dead_time_s"),
}


def exponentials(model: LoopModel) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and poles of the unit answer without dead time, 1 + sum c exp(p t); none for ``integrating``."""
    if model.form == "integrating":
        return np.empty(0), np.empty(0)
    if model.form == "first_order":
        return np.array([-1.0]), np.array([-1.0 / model.time_constant_s])
    z, w = model.damping_ratio, model.natural_frequency_rad_s
    if abs(z - 1.0) < EQUAL_LAGS:
        z = 1.0 + math.copysign(EQUAL_LAGS, z - 1.0)
    root = math.sqrt(z * z - 1.0) if z > 1.0 else 1j * math.sqrt(1.0 - z * z)
    slow = -w / (z + root) if z > 1.0 else w * (-z + root)
    fast = w * (-z - root)
    if z > 1.0:
        return np.array([fast, -slow]) / (slow - fast), np.array([slow, fast])
    # a conjugate pair: twice the real part of one, so only one is kept
    return np.array([2.0 * fast / (slow - fast)]), np.array([slow])


def unit_answer(model: LoopModel, since_s: np.ndarray, integrations: int = 0) -> np.ndarray:
    """Answer to a unit step of the input at time zero for unit gain and *no* dead time, integrated over time.

    ``since_s`` (any shape): seconds since the step; zero comes back where it is negative. ``integrations``: 0 for the
    answer itself, 1 and 2 for its integral once and twice from zero, -1 for its slope.
    """
    if integrations < 0:
        return _answer_and_slope(model, since_s, 0)[1]
    return _answer_and_slope(model, since_s, integrations)[0]


def _answer_and_slope(model: LoopModel, since: np.ndarray, integrations: int) -> tuple[np.ndarray, np.ndarray]:
    """The answer integrated ``integrations`` times and that integrated once less, which share their exponentials."""
    t = np.maximum(since, 0.0)
    order = integrations + 1 if model.form == "integrating" else integrations
    answer, slope = _power(t, order), _power(t, order - 1)
    for coefficient, pole in zip(*exponentials(model), strict=True):
        grown, before = _integrals(pole, t, integrations)
        answer, slope = answer + (coefficient * grown).real, slope + (coefficient * before).real
    # only the slope and the answer itself jump or bend at zero; the integrals start at zero by themselves
    moved = since >= 0.0
    return (answer * moved if integrations < 1 else answer), (slope * moved if integrations < 2 else slope)


def _power(t: np.ndarray, order: int) -> np.ndarray:
    """t^order / order!, and zero for a negative order."""
    if order < 0:
        return np.zeros_like(t)
    return t**order / math.factorial(order) if order else np.ones_like(t)


def _integrals(pole: complex, t: np.ndarray, times: int) -> tuple[np.ndarray, np.ndarray]:
    """exp(pole t) integrated ``times`` times from zero, and once less (its derivative for ``times`` 0)."""
    grown: Any = np.expm1(pole * t)  # exp itself would lose the small differences of the integrals
    if times == 0:
        return grown + 1.0, pole * (grown + 1.0)
    before, grown = grown + 1.0, grown / pole
    for order in range(1, times):
        before, grown = grown, (grown - _power(t, order)) / pole
    return grown, before


def sampled_answer(
    model: LoopModel, edge_s: np.ndarray, ramp_s: float, averaged: bool
) -> tuple[np.ndarray, np.ndarray]:
    """What the tach shows of a unit move of the input that starts at time zero and takes ``ramp_s``, and its slope.

    ``edge_s``: seconds since the start of the move, ``(n + 1,)`` tach edges when ``averaged`` (n averages between
    neighbours come back), else ``(n,)`` instants. The dead time of ``model`` is applied, its gain is not.
    The slope is the derivative with respect to time, minus that with respect to the dead time.
    """
    order = 1 if averaged else 0
    since = np.asarray(edge_s, dtype=float) - model.dead_time_s
    if ramp_s < STEP_IS_SUDDEN_S:
        value, slope = _answer_and_slope(model, since, order)
    else:
        early = _answer_and_slope(model, since, order + 1)
        late = _answer_and_slope(model, since - ramp_s, order + 1)
        value, slope = ((one - other) / ramp_s for one, other in zip(early, late, strict=True))
    if not averaged:
        return value, slope
    span = np.diff(edge_s)
    return np.diff(value) / span, np.diff(slope) / span


def second_order_figures(damping_ratio: float, natural_frequency_rad_s: float) -> dict[str, float]:
    """Textbook figures of an under-damped pair without dead time: rise from 0 to 100 %, peak, overshoot, settling.

    ``damping_ratio`` in (0, 1), ``natural_frequency_rad_s`` > 0; ValueError otherwise. Settling times are those of
    the envelope, 4 / (z w) and 3 / (z w). Source: Ogata, Modern Control Engineering, transient response (from memory).
    """
    z, w = damping_ratio, natural_frequency_rad_s
    if not 0.0 < z < 1.0 or not w > 0.0:
        raise ValueError(f"damping ratio {z:g} and natural frequency {w:g} are not those of an under-damped pair")
    damped = w * math.sqrt(1.0 - z * z)
    return {
        "damped_frequency_rad_s": damped,
        "rise_time_s": (math.pi - math.acos(z)) / damped,
        "peak_time_s": math.pi / damped,
        "overshoot": math.exp(-math.pi * z / math.sqrt(1.0 - z * z)),
        "settling_2pct_s": 4.0 / (z * w),
        "settling_5pct_s": 3.0 / (z * w),
    }


def damping_from_overshoot(overshoot: float) -> float:
    """Damping ratio of an under-damped pair whose step answer overshoots by ``overshoot`` (0 to 1, exclusive).

    ValueError outside. Source: the overshoot formula of ``second_order_figures`` solved for the damping ratio.
    """
    if not 0.0 < overshoot < 1.0:
        raise ValueError(f"an overshoot of {overshoot:g} has no damping ratio: expected between 0 and 1")
    log = math.log(overshoot)
    return -log / math.hypot(math.pi, log)
