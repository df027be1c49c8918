"""Monte Carlo over the tolerances of a blade set: how likely root or blade are to be overloaded at a speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.strength.allowables import Allowable, Strengths
from whirlbench.analysis.strength.blade_build import BuiltBlade
from whirlbench.analysis.strength.blade_stress import BladeLoads, SectionStress
from whirlbench.analysis.strength.root_modes import RootGeometry, RootLoads, RootMode, named, root_geometry, root_modes
from whirlbench.physics.root_stress import Tang, Values
from whirlbench.rig.blade_sets import Tolerances

SAMPLES = 20_000
DEFAULT_SEED = 20_250
TWO_SIDED = 2.0  # a stated tolerance is two standard deviations
LEAST_LENGTH_M = 1e-4
RESOLVED = 10.0  # samples that must have failed before their share is told as a number


@dataclass(frozen=True)
class MonteCarlo:
    """Probabilities at ``rpm`` and the spread of permitted speed (5, 50, 95 %); ``seed`` draws the same sample again.

    ``exceeds_strength`` is the share of samples with a judged stress above strength, ``below_reserve`` the share
    without the reserve asked for. Below about 10 / ``samples`` a probability is only "small". The blade outside its
    grip is judged at its worst section. Bending moments stay at their nominal values, and the permitted speed follows
    from speed squared, which for bending with relief is on the safe side above ``rpm``.
    """

    seed: int
    samples: int
    rpm: float
    exceeds_strength: float
    below_reserve: float
    permitted_rpm: tuple[float, float, float]
    reserve_factor: tuple[float, float, float]
    weakest: dict[str, float]  # mode -> share of samples in which it was the first to fail

    def told(self, probability: float) -> str:
        """A probability in words that do not claim more than the sample holds."""
        resolved = RESOLVED / self.samples
        return f"{probability:.2g}" if probability >= resolved else f"below {resolved:g}"


def monte_carlo(
    built: BuiltBlade,
    loads: BladeLoads,
    sections: SectionStress | None,
    required: float,
    seed: int = DEFAULT_SEED,
    samples: int = SAMPLES,
) -> MonteCarlo | None:
    """Draws ``samples`` blades with scattered dimensions, mass, centre and strength; None without tolerances.

    Dimensions, mass and centre are normal. A strength from own coupons is drawn from their predictive distribution
    (Student's t, so few coupons spread wide); a published one is normal about its lowest value with ``strength_pct``.
    """
    tolerances = built.blades.tolerances
    if tolerances is None:
        return None
    rng = np.random.default_rng(seed)
    strengths = Strengths(built.name, built.blades, built.material)
    judged = [mode for mode in root_modes(built.root, strengths, required) if mode.judged]
    geometry = root_geometry(built.root)
    if sections is not None:
        judged.append(_section_mode(sections, loads, strengths.tension(strengths.span_direction()), required))
        geometry = replace(
            geometry, section_chord_m=sections.worst_chord_m, section_thickness_m=sections.worst_thickness_m
        )
    geometry = _scattered_geometry(geometry, tolerances, rng, samples)
    sampled_loads = _scattered_loads(loads, built, tolerances, rng, samples)
    reserves = _reserves(judged, geometry, sampled_loads, tolerances, rng, samples)
    shares = reserves / np.array([mode.required for mode in judged])[:, None]
    worst = shares.min(axis=0)
    spun = shares[[mode.spun for mode in judged]].min(axis=0)
    permitted = loads.rpm * np.sqrt(np.maximum(spun, 0.0))
    first = np.bincount(shares.argmin(axis=0), minlength=len(judged)) / samples
    return MonteCarlo(
        seed=seed,
        samples=samples,
        rpm=loads.rpm,
        exceeds_strength=float(np.mean(reserves.min(axis=0) < 1.0)),
        below_reserve=float(np.mean(worst < 1.0)),
        permitted_rpm=_quantiles(permitted),
        reserve_factor=_quantiles(reserves.min(axis=0)),
        weakest={mode.name: float(share) for mode, share in zip(judged, first, strict=True) if share > 0.0},
    )


def _quantiles(values: np.ndarray) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)


def _scattered_geometry(
    nominal: RootGeometry, tolerances: Tolerances, rng: np.random.Generator, samples: int
) -> RootGeometry:
    deviation_m = tolerances.dimension_mm * 1e-3 / TWO_SIDED

    def draw(value_m: float) -> np.ndarray:
        return np.maximum(value_m + deviation_m * rng.standard_normal(samples), LEAST_LENGTH_M)

    tang = nominal.tang
    if tang is not None:
        hole, width = draw(float(tang.hole_diameter_m)), draw(float(tang.width_m))
        edge = draw(float(tang.edge_distance_m))
        # A drawn hole may not swallow its tang: the least strip left keeps stresses finite, and failing.
        width = np.maximum(width, tang.bolts * hole + LEAST_LENGTH_M)
        edge = np.maximum(edge, hole / 2.0 + LEAST_LENGTH_M)
        tang = Tang(width, draw(float(tang.thickness_m)), hole, edge, tang.bolts)

    def draw_known(value_m: Values | None) -> np.ndarray | None:
        return None if value_m is None else draw(float(value_m))

    return replace(
        nominal,
        neck_chord_m=draw(float(nominal.neck_chord_m)),
        neck_thickness_m=draw(float(nominal.neck_thickness_m)),
        tang=tang,
        held_length_m=draw_known(nominal.held_length_m),
        section_chord_m=draw_known(nominal.section_chord_m),
        section_thickness_m=draw_known(nominal.section_thickness_m),
    )


def _section_mode(sections: SectionStress, loads: BladeLoads, tension: Allowable, required: float) -> RootMode:
    """The worst section of the blade: pull over area, and bending over chord times thickness squared."""
    direct_pa, bending_pa = sections.worst_parts_pa
    chord_m, thickness_m, pull_n = sections.worst_chord_m, sections.worst_thickness_m, loads.mouth_pull_n

    def stress(geometry: RootGeometry, drawn: RootLoads) -> Values:
        assert geometry.section_chord_m is not None and geometry.section_thickness_m is not None
        chord, thickness = chord_m / geometry.section_chord_m, thickness_m / geometry.section_thickness_m
        return direct_pa * drawn.mouth_pull_n / pull_n * chord * thickness + bending_pa * chord * thickness**2

    return RootMode("blade", named("blade section", tension), tension, required, True, True, stress)


def _scattered_loads(
    loads: BladeLoads, built: BuiltBlade, tolerances: Tolerances, rng: np.random.Generator, samples: int
) -> RootLoads:
    mass = 1.0 + tolerances.mass_pct / 100.0 / TWO_SIDED * rng.standard_normal(samples)
    centre = 1.0 + tolerances.cg_mm * 1e-3 / TWO_SIDED / built.cg_radius_m * rng.standard_normal(samples)
    return RootLoads(
        pull_n=loads.pull_n * mass * centre,
        mouth_pull_n=loads.mouth_pull_n * mass * centre,
        flap_moment_n_m=loads.flap_moment_n_m,
        edge_moment_n_m=loads.edge_moment_n_m,
    )


def _reserves(
    judged: list[RootMode],
    geometry: RootGeometry,
    loads: RootLoads,
    tolerances: Tolerances,
    rng: np.random.Generator,
    samples: int,
) -> np.ndarray:
    """Reserve factors ``(modes, samples)``; strengths that rest on the same specimens are drawn together."""
    draws: dict[str, np.ndarray] = {}
    rows = []
    for mode in judged:
        basis = mode.allowable.rests_on
        if basis not in draws:
            draws[basis] = _relative_strength(mode.allowable, tolerances, rng, samples)
        rows.append(mode.allowable.value_pa * draws[basis] / mode.stress_pa(geometry, loads))
    return np.stack([np.broadcast_to(row, (samples,)) for row in rows])


def _relative_strength(
    allowable: Allowable, tolerances: Tolerances, rng: np.random.Generator, samples: int
) -> np.ndarray:
    """Drawn strength over the allowable's own lower bound or published value."""
    bound = allowable.bound
    if bound is None:
        spread = tolerances.strength_pct / 100.0 / TWO_SIDED
        return np.maximum(1.0 + spread * rng.standard_normal(samples), 0.0)
    predictive = bound.deviation_mpa * np.sqrt(1.0 + 1.0 / bound.count) * rng.standard_t(bound.count - 1, samples)
    result: np.ndarray = np.maximum(bound.mean_mpa + predictive, 0.0) / bound.value_mpa
    return result
