"""Monte Carlo over the tolerances of a blade set: the speed that nineteen of twenty blades stand, and why.

One draw serves everything that is told: the permitted speed, what governs it, how likely an overload is, and how the
spread splits over the inputs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.strength.allowables import Allowable
from whirlbench.analysis.strength.blade_build import BuiltBlade
from whirlbench.analysis.strength.root_modes import RootGeometry, tang_of
from whirlbench.analysis.strength.speed_law import LEAST_LENGTH_M, Case
from whirlbench.physics.root_stress import Values
from whirlbench.rig.blade_sets import Tolerances

SAMPLES = 20_000
DEFAULT_SEED = 20_250
TWO_SIDED = 2.0  # a stated tolerance is two standard deviations
LOW_END = 0.05  # of the drawn blades stand less than the figure to act on
RESOLVED = 10.0  # samples that must have failed before their share is told as a number
LEAST_SHARE = 0.005  # of the spread, below which an input is not named
# Taken for each tolerance that the rig does not give: what a careful workshop may reach, our assumption, no source.
ASSUMED = {"dimension_mm": 0.2, "mass_pct": 3.0, "cg_mm": 1.0, "strength_pct": 15.0, "clamp_pct": 30.0}
LENGTHLESS = ("clamp",)
OFFSETS = ("hole ", "section_", "clearance_m")  # sizes that may be zero or negative


@dataclass(frozen=True)
class Cap:
    """A bound on the speed that is no stress; ``by_mass`` when it falls as a heavier blade pulls harder."""

    name: str
    rpm: float
    by_mass: bool = False


@dataclass(frozen=True)
class MonteCarlo:
    """Probabilities at ``rpm`` and the spread of the permitted speed (5, 50, 95 %); ``seed`` draws the sample again.

    ``exceeds_strength`` is the share of blades with a judged stress above strength, ``below_reserve`` of those without
    the reserve asked for. Below about 10 / ``samples`` a probability is only "small". ``weakest`` is the share of
    blades each place was the first to fail in; ``governed_by`` the most frequent among the weakest twentieth.
    ``split`` is the share of the permitted speed's variance that goes with each input, by squared correlation.
    ``assumed`` names the tolerances that the rig does not give. Moments are those of the nominal blade.
    """

    seed: int
    samples: int
    rpm: float
    exceeds_strength: float
    below_reserve: float
    permitted_rpm: tuple[float, float, float]
    reserve_factor: tuple[float, float, float]
    governed_by: str
    weakest: dict[str, float]
    split: dict[str, float]
    assumed: tuple[str, ...]

    @property
    def rests_on_the_rig(self) -> bool:
        """Whether any of the sizes and masses scatters by what the rig says; else a probability means nothing."""
        return not {"dimension_mm", "mass_pct", "cg_mm"} <= set(self.assumed)

    def told(self, probability: float) -> str:
        """A probability in words that do not claim more than the sample holds."""
        resolved = RESOLVED / self.samples
        return f"{probability:.2g}" if probability >= resolved else f"below {resolved:g}"


@dataclass(frozen=True)
class _Draw:
    """Drawn sizes, mass and strengths, and the standard deviates behind them by the name of the input."""

    geometry: RootGeometry
    mass: np.ndarray
    strength: dict[str, np.ndarray]
    inputs: dict[str, np.ndarray]


def stated(tolerances: Tolerances | None) -> tuple[Tolerances, tuple[str, ...]]:
    """The tolerances with what the rig leaves open filled in, and the names of what was."""
    given = tolerances or Tolerances()
    absent = tuple(key for key in ASSUMED if getattr(given, key) is None)
    values = {key: ASSUMED[key] if key in absent else getattr(given, key) for key in ASSUMED}
    return Tolerances(**values), absent


def monte_carlo(
    built: BuiltBlade,
    case: Case,
    geometry: RootGeometry,
    caps: Sequence[Cap],
    rpm: float,
    seed: int = DEFAULT_SEED,
    samples: int = SAMPLES,
) -> MonteCarlo:
    """Draws ``samples`` blades with scattered sizes, mass, centre, clamp and strength.

    Sizes, mass and centre are normal. A strength from own coupons is drawn from their predictive distribution
    (Student's t, so few coupons spread wide); a published one is normal about its lowest value with ``strength_pct``.
    A tolerance that the rig does not give takes the assumed one: a blank is not a zero.
    """
    tolerances, assumed = stated(built.blades.tolerances)
    rng = np.random.default_rng(seed)
    draw = _drawn(built, case, geometry, tolerances, rng, samples)
    names, speeds = [], []
    reserves = []
    for mode in case.judged:
        strength = draw.strength[mode.allowable.rests_on]
        speeds.append(np.broadcast_to(case.permitted_rpm(mode, draw.geometry, draw.mass, strength), (samples,)))
        stress = case.stress_pa(mode, np.full(samples, rpm), draw.geometry, draw.mass)
        reserves.append(mode.allowable.value_pa * strength / stress)
        names.append(mode.name)
    needed = np.array([mode.required for mode in case.judged])[:, None]
    for cap in caps:
        speeds.append(cap.rpm / np.sqrt(draw.mass) if cap.by_mass else np.full(samples, cap.rpm))
        names.append(cap.name)
    every, worst = np.stack(speeds), np.stack(reserves)
    permitted, first = every.min(axis=0), every.argmin(axis=0)
    weakest = _shares(first, names)
    low = _quantiles(permitted)
    lowest = first[permitted <= low[0]] if math.isfinite(low[0]) else first
    return MonteCarlo(
        seed=seed,
        samples=samples,
        rpm=rpm,
        exceeds_strength=float(np.mean(~(worst.min(axis=0) >= 1.0))),
        below_reserve=float(np.mean(~((worst / needed).min(axis=0) >= 1.0))),
        permitted_rpm=low,
        reserve_factor=_quantiles(worst.min(axis=0)),
        governed_by=max(_shares(lowest, names).items(), key=lambda item: item[1])[0],
        weakest=weakest,
        split=_split(permitted, draw.inputs),
        assumed=tuple(key for key in assumed if _counts(key, case, geometry)),
    )


def _counts(key: str, case: Case, geometry: RootGeometry) -> bool:
    """Whether a tolerance has anything to scatter in this blade."""
    if key == "clamp_pct":
        return "clamp" in geometry.sizes
    if key == "strength_pct":
        stated_alone = ("friction", "bolt")
        return any(mode.allowable.bound is None and mode.allowable.kind not in stated_alone for mode in case.judged)
    return True


def _shares(places: np.ndarray, names: Sequence[str]) -> dict[str, float]:
    counts = np.bincount(places, minlength=len(names)) / max(len(places), 1)
    return {name: float(share) for name, share in zip(names, counts, strict=True) if share > 0.0}


def _quantiles(values: np.ndarray) -> tuple[float, float, float]:
    """5, 50 and 95 %; NaN anywhere makes them NaN, and infinities are not mixed into a mean."""
    low, middle, high = np.quantile(values, (LOW_END, 0.5, 1.0 - LOW_END), method="lower")
    return float(low), float(middle), float(high)


def _split(permitted: np.ndarray, inputs: Mapping[str, np.ndarray]) -> dict[str, float]:
    """Squared correlation of each input with the permitted speed, greatest first: first-order shares of its variance.

    Source: standardised regression of independent inputs, as in Saltelli et al., Global Sensitivity Analysis, from
    memory. What the inputs do together is in none of them.
    """
    spread = permitted.std() if np.all(np.isfinite(permitted)) else 0.0
    if not spread > 1e-9 * permitted.mean():
        return {}
    shares = {name: float(np.corrcoef(values, permitted)[0, 1] ** 2) for name, values in inputs.items()}
    kept = {name: share for name, share in shares.items() if share >= LEAST_SHARE}
    return dict(sorted(kept.items(), key=lambda item: -item[1]))


def _drawn(
    built: BuiltBlade, case: Case, nominal: RootGeometry, tolerances: Tolerances, rng: np.random.Generator, samples: int
) -> _Draw:
    inputs: dict[str, np.ndarray] = {}

    def deviate(name: str, deviation: float | None) -> np.ndarray:
        drawn = rng.standard_normal(samples)  # drawn also where nothing scatters, so that inputs keep their draws
        if deviation:
            inputs[name] = drawn
        return (deviation or 0.0) / TWO_SIDED * drawn

    length_m, sizes = (tolerances.dimension_mm or 0.0) * 1e-3, dict(nominal.sizes)
    for key, value in nominal.sizes.items():
        if key in LENGTHLESS:
            sizes[key] = np.maximum(1.0 + deviate("clamp force", (tolerances.clamp_pct or 0.0) / 100.0), 0.0)
        else:
            sizes[key] = value + deviate(key, length_m)
            if not key.startswith(OFFSETS):
                sizes[key] = np.maximum(sizes[key], LEAST_LENGTH_M)
    if "clearance_m" in sizes:
        sizes["clearance_m"] = np.maximum(sizes["clearance_m"], 0.0)
    geometry = _kept_whole(replace(nominal, sizes=sizes))
    mass = 1.0 + deviate("mass", (tolerances.mass_pct or 0.0) / 100.0)
    centre = 1.0 + deviate("centre of gravity", (tolerances.cg_mm or 0.0) * 1e-3 / built.cg_radius_m)
    strength: dict[str, np.ndarray] = {}
    for mode in case.judged:
        basis = mode.allowable.rests_on
        if basis not in strength:
            strength[basis] = _relative_strength(mode.allowable, tolerances, rng, samples)
            if strength[basis].std() > 0.0:
                inputs[f"strength, {basis}"] = strength[basis]
    return _Draw(geometry, np.maximum(mass * centre, 1e-3), strength, inputs)


def _kept_whole(geometry: RootGeometry) -> RootGeometry:
    """A drawn hole may not swallow its tang: the least strip left keeps stresses finite, and failing."""
    if geometry.tang is None:
        return geometry
    sizes, bolts = dict(geometry.sizes), geometry.tang.bolts
    hole: Values = sizes["hole_diameter_m"]
    outer = np.max([np.abs(sizes[f"hole {number + 1} off the middle"]) for number in range(bolts)], axis=0)
    sizes["width_m"] = np.maximum(sizes["width_m"], np.maximum(bolts * hole, 2.0 * outer + hole) + LEAST_LENGTH_M)
    sizes["edge_distance_m"] = np.maximum(sizes["edge_distance_m"], hole / 2.0 + LEAST_LENGTH_M)
    return RootGeometry(sizes, tang_of(sizes, bolts, geometry.tang.rows, geometry.tang.spring_n_m))


def _relative_strength(
    allowable: Allowable, tolerances: Tolerances, rng: np.random.Generator, samples: int
) -> np.ndarray:
    """Drawn strength over the allowable's own lower bound or published value; friction and bolts are as stated."""
    bound = allowable.bound
    if allowable.kind in ("friction", "bolt"):
        return np.ones(samples)
    if bound is None:
        spread = (tolerances.strength_pct or 0.0) / 100.0 / TWO_SIDED
        return np.maximum(1.0 + spread * rng.standard_normal(samples), 0.0)
    predictive = bound.deviation_mpa * np.sqrt(1.0 + 1.0 / bound.count) * rng.standard_t(bound.count - 1, samples)
    result: np.ndarray = np.maximum(bound.mean_mpa + predictive, 0.0) / bound.value_mpa
    return result
