"""Change detection against published tables, a textbook example and an independent library.

CUS-1: run lengths of the two-sided tabular CUSUM, Montgomery, Introduction to Statistical Quality Control, ch. 9; 8.38,
10.4 and 465 read in quotations, the rest from memory, all recomputed by integral equation. CUS-2: Montgomery Example
9.1, values as five and more copies agree. CUS-3, CUS-4: the library `ruptures`, run here.
"""

import numpy as np
import pytest
from cumulative_sums import (
    best_split,
    first_signal,
    run_length,
    siegmund_run_length,
    threshold_for,
    two_sided_run_length,
)

from whirlbench.errors import AnalysisError

EXAMPLE_9_1 = np.array(
    [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08, 9.37, 10.62, 10.31,
     8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52]
)  # fmt: skip
SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)


@pytest.mark.parametrize(
    ("threshold", "published"),
    [
        (4, (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)),
        (5, (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)),
    ],
)
def test_cus_1_run_lengths(threshold, published):
    found = [two_sided_run_length(0.5, threshold, shift) for shift in SHIFTS]
    assert found == pytest.approx(published, rel=0.004)


def test_cus_1b_one_sided_run_lengths_and_siegmund():
    assert run_length(0.5, 4) == pytest.approx(335.37, abs=0.1)
    assert run_length(0.5, 5) == pytest.approx(930.89, abs=0.1)
    assert siegmund_run_length(0.5, 5) / 2 == pytest.approx(469.11, abs=0.1)


def test_threshold_is_the_inverse_of_run_length():
    for wanted in (335.37, 930.89, 144000.0):
        assert run_length(0.5, threshold_for(0.5, wanted)) == pytest.approx(wanted, rel=1e-3)
    with pytest.raises(AnalysisError, match="at least 10"):
        threshold_for(0.5, 3)


def test_cus_2_textbook_example():
    signal = first_signal(EXAMPLE_9_1, 10.0, 1.0, 0.5, 5.0)
    assert signal.alarm + 1 == 29
    assert signal.value == pytest.approx(5.28, abs=0.005)
    assert signal.last_good + 1 == 22
    assert signal.side == 1
    estimate = 10.0 + 0.5 + signal.value / (signal.alarm - signal.last_good)
    assert estimate == pytest.approx(11.25, abs=0.005)


def test_cus_3_best_split_equals_the_library_on_the_example():
    import ruptures

    ours = best_split(EXAMPLE_9_1[:, None])
    library = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(EXAMPLE_9_1[:, None]).predict(n_bkps=1)
    assert ours.index == library[0] == 22


def test_cus_4_fifty_and_fifty():
    import ruptures

    values = np.concatenate([np.zeros(50), np.ones(50)])[:, None]
    cost = ruptures.costs.CostL2().fit(values)
    split = best_split(values)
    assert cost.error(0, 100) == pytest.approx(25.0)
    assert split.index == 50
    assert split.gain == pytest.approx(25.0 - cost.error(0, 50) - cost.error(50, 100))


def test_best_split_equals_the_library_on_many_columns():
    import ruptures

    rng = np.random.default_rng(8)
    for _ in range(20):
        values = rng.standard_normal((120, 3))
        values[rng.integers(20, 100) :] += rng.standard_normal(3)
        library = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(values).predict(n_bkps=1)
        assert best_split(values).index == library[0]


def test_best_split_finds_the_breaks_of_the_library_generator():
    """DAT-4: pw_constant(500, 1, 3, noise_std=1, delta=(5, 10), seed=42) breaks at 127, 257, 373."""
    import ruptures

    signal, breaks = ruptures.pw_constant(500, 1, 3, noise_std=1, delta=(5, 10), seed=42)
    assert breaks == [127, 257, 373, 500]
    for first, last, expected in ((0, 257, 127), (127, 373, 257), (257, 500, 373)):
        assert first + best_split(signal[first:last]).index == expected
