"""A table of points read for one number at a time, without the overhead of arrays."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np


class Line:
    """A table of points, straight between them, for one number at a time; clamped at its ends, or ``prolonged``."""

    def __init__(self, inputs: np.ndarray, outputs: np.ndarray, prolonged: bool = False) -> None:
        self._prolonged = prolonged
        self._inputs, self._outputs = [float(item) for item in inputs], [float(item) for item in outputs]

    def at(self, value: float) -> float:
        """The table's output at ``value``."""
        inputs, outputs = self._inputs, self._outputs
        if value <= inputs[0] and not self._prolonged:
            return outputs[0]
        if value >= inputs[-1] and not self._prolonged:
            return outputs[-1]
        index = min(max(bisect_right(inputs, value), 1), len(inputs) - 1)
        low = inputs[index - 1]
        return outputs[index - 1] + (value - low) / (inputs[index] - low) * (outputs[index] - outputs[index - 1])
