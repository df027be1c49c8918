"""How damage may grow: the family of courses that are tried for every beginning, as frames see them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

POWERS = (0.5, 1.0, 1.5, 2.0, 3.0)
EXPONENTIAL_S = (1.5, 3.0, 6.0, 12.0)
SATURATING_S = (0.7, 1.5, 3.0, 6.0, 12.0)
# An exponential looks the same whenever it began: its beginning is where it was a hundredth of what it is.
EXPONENTIAL_REACH = 4.6
TABLED = 16  # times in a step
HANN_NODES = np.linspace(-0.8, 0.8, 5)  # of a step about a frame's middle
HANN_WEIGHTS = np.cos(np.pi / 2 * HANN_NODES) ** 2 / (np.cos(np.pi / 2 * HANN_NODES) ** 2).sum()


@dataclass(frozen=True)
class Growth:
    """A course: ``size`` of elapsed seconds (0 and above), and how long before now it may have begun.

    ``form`` is one of the six: step, linear, square root, power, exponential, saturating.
    """

    form: str
    size: Callable[[np.ndarray], np.ndarray]
    reach_s: float = np.inf


def _power(power: float) -> Growth:
    form = {0.5: "square root", 1.0: "linear"}.get(power, "power")
    return Growth(form, lambda elapsed: elapsed**power)


def _exponential(scale_s: float) -> Growth:
    return Growth("exponential", lambda elapsed: np.expm1(elapsed / scale_s), EXPONENTIAL_REACH * scale_s)


def _saturating(scale_s: float) -> Growth:
    return Growth("saturating", lambda elapsed: -np.expm1(-elapsed / scale_s))


STEP = Growth("step", np.ones_like)
FAMILY = (STEP, *map(_power, POWERS), *map(_exponential, EXPONENTIAL_S), *map(_saturating, SATURATING_S))
FORMS = tuple(growth.form for growth in FAMILY)
PRIOR = np.array([1.0 / FORMS.count(form) for form in FORMS]) / len(set(FORMS))  # each form is as likely as another


class Signatures:
    """What frames show of every course of FAMILY by the time since it began, each grown to 1 by ``until_s``.

    Frames of two ``step_s`` weigh their samples as they do (Hann). The courses are tabled once, sixteen to a step.
    """

    def __init__(self, begin_s: np.ndarray, until_s: float, step_s: float) -> None:
        self._begin_s, self._step_s = begin_s, step_s
        reached_s = np.maximum(until_s - begin_s, 1e-3)[:, None]
        reach_s = np.array([growth.reach_s for growth in FAMILY])
        elapsed = np.arange(-step_s, reached_s.max() + 2 * step_s, step_s / TABLED)
        nodes = elapsed[:, None] + HANN_NODES * step_s
        self._table = np.column_stack([_weighed(growth, nodes, step_s) for growth in FAMILY])
        self.allowed = reached_s <= reach_s  # (beginnings, courses): whether one can have begun so early
        self._final = np.column_stack([growth.size(np.minimum(reached_s[:, 0], growth.reach_s)) for growth in FAMILY])

    def at(self, time_s: float) -> np.ndarray:
        """``(beginnings, courses)`` of the beginnings that a frame at ``time_s`` can show any of."""
        begun = int(np.searchsorted(self._begin_s, time_s + self._step_s))
        place = np.rint((time_s - self._begin_s[:begun]) / self._step_s * TABLED).astype(int) + TABLED
        seen: np.ndarray = self._table[np.minimum(place, len(self._table) - 1)] / self._final[:begun]
        return seen


def _weighed(growth: Growth, elapsed: np.ndarray, step_s: float) -> np.ndarray:
    """Means of a course over a frame's nodes ``(times, nodes)``; beyond its reach it stays as it is."""
    size = growth.size(np.clip(elapsed, 0.0, growth.reach_s + step_s))
    result: np.ndarray = np.where(elapsed >= 0.0, size, 0.0) @ HANN_WEIGHTS
    return result
