"""Balancing on stands that the analysis does not know: whether the stated 95 % band holds the truth, or it is refused.

    python tests/benchmarks/balance/foreign_balance.py [runs per kind] [part of a kind's name]

Each run has another unbalance, another trial mass and another noise. Columns: share of the two parts of the unbalance
that lie within 1.96 standard errors, rms error in standard errors, medians of stated and true error as shares of the
unbalance, how many were refused or named a couple.

Measured with 120 runs a kind (marked 40 where the long form was cut short):

    far from a resonance, same speed             96 %   0.97    0.44 %    0.44 %
    far, 1.5 % faster                            95 %   0.98    1.45 %    1.70 %
    far, hardly any wander, 1.5 %                97 %   0.93   10.11 %   10.11 %   3 called couples, 1 refused
    far, hold of 6 s, noisy                      92 %   1.00    5.71 %    6.20 %
    far, three trials                            94 %   1.03    0.22 %    0.27 %
    below a resonance (0.96), 0.2 %              96 %   0.87    0.08 %    0.06 %
    below (0.96), 1.5 %                         100 %   0.47    1.48 %    0.76 %
    below (0.96), 1.5 %, hardly any wander      100 %   0.46    1.49 %    0.69 %
    below (0.96), 1 %, one axis                 100 %   0.47    0.85 %    0.38 %
    below (0.92), 1.5 %                         100 %   0.53    0.51 %    0.28 %
    below (0.96), trials 1.2 % and -0.8 %       100 %   0.26    0.93 %    0.26 %
    on the resonance, 0.3 %                      98 %   0.95    0.21 %    0.24 %   (40)
    on the resonance, 1.5 %                     100 %   0.46    2.25 %    1.19 %   (40)
    above (1.05), -1.5 %                        100 %   0.51    0.81 %    0.39 %   (40)
    two resonances near each other, 1 %          99 %   0.78    0.67 %    0.70 %   (40)
    kept influence, 0.5 %                        98 %   0.73    0.18 %    0.13 %   (40)
    no couple, three axes                        98 %   1.03    0.24 %    0.29 %   (40)
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "foreign"))

from balance_runs import Mode, Stand, answer, held_run, polar

from whirlbench.analysis.balance import Balance, Trial, balance_runs, balance_with_influence
from whirlbench.errors import AnalysisError

QUANTILE_95 = 1.96
LOW = Mode(1200.0, 0.05, 0.002j, shares=(0.8, -0.9j, 0.1))
FAR = Stand()
NEAR = Stand(modes=(Mode(4600.0, 0.03, 0.004), LOW))
TWO = Stand(modes=(Mode(4600.0, 0.03, 0.004), Mode(4750.0, 0.025, 0.003j, shares=(0.2j, 0.9, 0.3)), LOW))
COUPLED = replace(FAR, axes=3, modes=(
    Mode(4200.0, 0.03, 0.004, 0.001), Mode(5000.0, 0.04, 0.0005j, 0.004, shares=(0.3, 0.4j, 1.0)), LOW,
))  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """A stand, the speed of the first hold, how much faster each trial ran, and what else is special."""

    stand: Stand
    rpm: float = 3000.0
    faster: tuple[float, ...] = (0.0,)
    couple: float = 0.0
    kept: float | None = None  # relative speed of a later run, judged by the influence kept from the first


KINDS = {
    "far from a resonance, same speed": Kind(FAR),
    "far, 1.5 % faster": Kind(FAR, faster=(0.015,)),
    "far, hardly any wander, 1.5 %": Kind(replace(FAR, wander=0.0003, sag=0.0), faster=(0.015,)),
    "far, hold of 6 s, noisy": Kind(replace(FAR, hold_s=6.0, noise_g=0.3), faster=(0.004,)),
    "far, three trials": Kind(FAR, faster=(0.005, -0.01, 0.0)),
    "below a resonance (0.96), 0.2 %": Kind(NEAR, 4420.0, (0.002,)),
    "below (0.96), 1.5 %": Kind(NEAR, 4420.0, (0.015,)),
    "below (0.96), 1.5 %, hardly any wander": Kind(replace(NEAR, wander=0.0003, sag=0.0), 4420.0, (0.015,)),
    "below (0.96), 1 %, one axis": Kind(replace(NEAR, axes=1), 4420.0, (0.01,)),
    "below (0.92), 1.5 %": Kind(NEAR, 4240.0, (0.015,)),
    "below (0.96), trials 1.2 % and -0.8 %": Kind(NEAR, 4420.0, (0.012, -0.008)),
    "on the resonance, 0.3 %": Kind(NEAR, 4600.0, (0.003,)),
    "on the resonance, 1.5 %": Kind(NEAR, 4600.0, (0.015,)),
    "above (1.05), -1.5 %": Kind(NEAR, 4850.0, (-0.015,)),
    "two resonances near each other, 1 %": Kind(TWO, 4500.0, (0.01,)),
    "kept influence, 0.5 %": Kind(NEAR, 4420.0, (0.004,), kept=0.005),
    "a couple beside, three axes": Kind(COUPLED, faster=(0.002,), couple=120.0),
    "no couple, three axes": Kind(COUPLED, faster=(0.002,)),
}


@dataclass(frozen=True)
class Outcome:
    """One run: what was found and what is so, or why it was refused."""

    truth: complex
    found: Balance | None
    refusal: str = ""
    left_share: float = 0.0  # what is left of 1P by the true answers once the found unbalance is taken away


def outcome(kind: Kind, seed: int) -> Outcome:
    """One made-up balancing of ``kind``."""
    rng = np.random.default_rng(seed)
    truth = polar(rng.uniform(60.0, 500.0), rng.uniform(0.0, 360.0))
    masses = [(rng.uniform(100.0, 250.0) / 40.0, rng.uniform(0.0, 360.0)) for _ in kind.faster]
    couple = polar(kind.couple, rng.uniform(0.0, 360.0)) if kind.couple else 0.0
    found = held_run(kind.stand, kind.rpm, truth, rng, couple)
    trials = []
    for (mass_g, angle_deg), faster in zip(masses, kind.faster, strict=True):
        added = truth + polar(mass_g * 40.0, angle_deg)
        run = held_run(kind.stand, kind.rpm * (1.0 + faster), added, rng, couple)
        trials.append(Trial(run, mass_g, angle_deg, 40.0))
    try:
        told = balance_runs(found, trials)
        if kind.kept is not None:
            truth = polar(rng.uniform(20.0, 200.0), rng.uniform(0.0, 360.0))
            later = held_run(kind.stand, kind.rpm * (1.0 + kind.kept), truth, rng)
            told = balance_with_influence(later, told.influence)
    except AnalysisError as error:
        return Outcome(truth, None, str(error))
    return Outcome(truth, told, left_share=_truly_left(kind, truth, couple, told))


def _truly_left(kind: Kind, truth: complex, couple: complex, found: Balance) -> float:
    def felt(unbalance: complex) -> np.ndarray:
        rpm = np.array(kind.rpm)
        return np.array([answer(kind.stand, rpm, axis, unbalance, couple) for axis in range(kind.stand.axes)])

    return float(np.linalg.norm(felt(truth - found.vector_g_mm)) / np.linalg.norm(felt(truth)))


def errors(outcomes: list[Outcome]) -> np.ndarray:
    """Errors of all that was answered, in standard errors, complex."""
    return np.array([(one.found.vector_g_mm - one.truth) / one.found.stderr_g_mm for one in outcomes if one.found])


def coverage(outcomes: list[Outcome]) -> float:
    """Share of the parts within the stated band of 95 %."""
    scaled = errors(outcomes)
    return float(np.mean(np.abs(np.concatenate((scaled.real, scaled.imag))) < QUANTILE_95))


def row(outcomes: list[Outcome]) -> str:
    """One line of the table."""
    answered = [one for one in outcomes if one.found]
    reasons = {one.refusal.partition(":")[0] for one in outcomes if not one.found}
    refused = f"{len(outcomes) - len(answered):3d} refused" + "".join(f"; {reason}" for reason in sorted(reasons))
    if not answered:
        return refused
    stated, true = np.median(list(_shares(answered)), axis=0)
    couples = sum(one.found.couple for one in answered if one.found)
    rms = float(np.sqrt(np.mean(np.abs(errors(answered)) ** 2) / 2.0))
    figures = f"{100 * coverage(answered):4.0f} %  {rms:5.2f}  {100 * stated:6.2f} %  {100 * true:6.2f} %"
    return f"{figures}  {couples:3d} couples  {refused}"


def _shares(answered: list[Outcome]) -> Iterator[tuple[float, float]]:
    for one in answered:
        assert one.found is not None
        yield one.found.stderr_g_mm / abs(one.truth), abs(one.found.vector_g_mm - one.truth) / abs(one.truth)


def main() -> None:
    """Prints the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    part = sys.argv[2] if len(sys.argv) > 2 else ""
    for name, kind in KINDS.items():
        if part in name:
            print(f"{name:42s} {row([outcome(kind, seed) for seed in range(count)])}", flush=True)


if __name__ == "__main__":
    main()
