"""What the plant did, step by step: the recent steps as rows at hand, older ones packed away or dropped."""

from __future__ import annotations

import numpy as np

KEPT_STEPS = 4096  # for a caller that asks for vibration seldom or never; about four seconds

Row = tuple[float, float, float, float, float, float, float, float, float]


class StateHistory:
    """One row a step: time, angle, speed, pitch, servo position, pack current and voltage, thrust, torque.

    SI units, but degrees of pitch and microseconds of servo. ``keep``: pack old rows into arrays instead of dropping
    them, for a whole run.
    """

    TIME, ANGLE, SPEED, PITCH, SERVO, CURRENT, VOLTAGE, THRUST, TORQUE = range(9)

    def __init__(self, first: Row, keep: bool) -> None:
        self._recent = [first]
        self._packed: list[np.ndarray] = []
        self._keep = keep
        self.append = self._recent.append  # the list stays the same object: this is called in every step

    @property
    def last(self) -> Row:
        """The latest row."""
        return self._recent[-1]

    def tidy(self) -> None:
        """Packs or drops all but the latest rows; called from time to time."""
        if len(self._recent) > 2 * KEPT_STEPS:
            if self._keep:
                self._packed.append(np.array(self._recent[:-KEPT_STEPS]))
            del self._recent[:-KEPT_STEPS]

    def rows(self) -> np.ndarray:
        """Everything that is kept, ``(n, 9)``."""
        return np.concatenate([*self._packed, np.array(self._recent)])

    def between(self, from_s: float, to_s: float, step_s: float) -> np.ndarray:
        """Recent rows about a span of time, one more on either side where there is one; steps are even."""
        start_s = self._recent[0][self.TIME]
        first = max(0, int((from_s - start_s) / step_s))
        return np.array(self._recent[first : max(first, int((to_s - start_s) / step_s)) + 2] or self._recent[-1:])
