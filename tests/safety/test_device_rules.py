"""The device's rules at their borders: the shortest window, and the proof that a cut stopped the rotor."""

from __future__ import annotations

import pytest

from whirlbench.safety.device_rules import CutLimits, CutProof, VibrationRule

TICKS_OF_3000_MS = 1500
LIMITS = CutLimits(cut_proof_ms=3000, cut_current_counts=10, current_zero_counts=500)


def test_a_window_is_one_sample_or_more() -> None:
    assert VibrationRule(1, 1).window == 1
    with pytest.raises(ValueError, match="at least 1 is needed"):
        VibrationRule(1, 0)


def begun() -> CutProof:
    proof = CutProof()
    proof.begin()
    assert not proof.feed(LIMITS, 7000, 500)  # the period that the others are held against
    return proof


def test_a_rotor_that_does_not_slow_fails_the_proof_after_its_time_and_once() -> None:
    proof = begun()
    assert not any(proof.feed(LIMITS, 7999, 500) for _ in range(TICKS_OF_3000_MS - 1))  # a tick short of an eighth
    assert proof.feed(LIMITS, 7999, 500) and proof.failed and proof.detail == 7999
    assert not proof.feed(LIMITS, 7999, 500)


def test_a_rotor_that_slows_by_an_eighth_each_time_or_rests_passes() -> None:
    proof = begun()
    for period in (8000, 9143, 0, 0):
        assert not proof.feed(LIMITS, period, 500)
        assert not any(proof.feed(LIMITS, period, 500) for _ in range(TICKS_OF_3000_MS - 1))
    assert not proof.failed


@pytest.mark.parametrize("counts", [511, 489])
def test_a_current_that_still_flows_at_rest_fails_the_proof(counts: int) -> None:
    """Beyond ten counts of its zero on either side; ten are near it."""
    proof = begun()
    near = 510 if counts > 500 else 490
    assert not any(proof.feed(LIMITS, 0, near) for _ in range(TICKS_OF_3000_MS + 10))
    assert not any(proof.feed(LIMITS, 0, counts) for _ in range(TICKS_OF_3000_MS - 1))
    assert proof.feed(LIMITS, 0, counts) and proof.detail == -1 - counts
