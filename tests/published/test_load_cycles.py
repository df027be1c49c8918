"""Rainflow count of load cycles against the example of the standard that defines it."""

from __future__ import annotations

import numpy as np
import pytest
import rainflow

from whirlbench.log.run_use import load_cycles

# ASTM E1049-85 (2017), 5.4.4 and its figure of the worked example; read from memory, the standard itself not opened.
HISTORY = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]
COUNTED = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}


def test_the_library_counts_the_standards_example():
    assert dict(rainflow.count_cycles(HISTORY)) == pytest.approx(COUNTED)


def test_a_run_within_a_run_is_one_great_and_one_small_cycle():
    """By hand with the rule: rest, 1.0, 0.25, 1.0, rest holds a closed cycle of 0.75 within one of 1.0."""
    rpm = 1000.0 * np.sqrt([1.0, 0.25, 1.0])

    found = {cycle.low: cycle.count for cycle in load_cycles(rpm, 1000.0)}

    assert found == pytest.approx({0.7: 1.0, 1.0: 1.0})
