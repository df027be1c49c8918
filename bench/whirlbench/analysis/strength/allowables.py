"""What a blade set's material may carry in a given direction, and every assumption on the way there."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.errors import RigError
from whirlbench.physics.materials import (
    ACROSS_OVER_IN_LAYER,
    CONFIDENCE,
    COVERAGE,
    MOISTURE_FACTOR,
    SHEAR_OVER_TENSION,
    TEMPERATURE_FACTOR,
    LowerBound,
    Material,
    lower_bound,
)
from whirlbench.rig.blade_sets import BladeSet, TangRoot

TENSION, SHEAR, BEARING = "tension", "shear", "bearing"
ACROSS, IN_LAYERS, ANY = "across layers", "in the layers", "no layers"
AXES = ("span", "chord", "thickness")
PA_PER_MPA = 1e6


@dataclass(frozen=True)
class Allowable:
    """A strength ready to be compared with a stress.

    ``value_pa`` is ``room_pa`` (lower bound at room temperature, dry) times every one of ``factors``. ``bound`` tells
    the coupons it came from, None for a published value.
    """

    kind: str
    direction: str
    value_pa: float
    room_pa: float
    factors: tuple[tuple[str, float], ...]
    basis: str
    bound: LowerBound | None
    rests_on: str  # the one set of specimens or published value behind it, whatever was derived from it


@dataclass(frozen=True)
class Strengths:
    """The allowables of one blade set, looked up by kind and direction."""

    name: str
    blades: BladeSet
    material: Material | None

    @property
    def layered(self) -> bool:
        """Whether direction matters: as stated, else as the material is, else yes."""
        if self.blades.layered is not None:
            return self.blades.layered
        return self.material is None or self.material.layered

    @property
    def brittle(self) -> bool:
        """Whether the peak beside a hole counts at once: as stated, else as the material is, else yes."""
        if self.blades.brittle is not None:
            return self.blades.brittle
        return self.material is None or self.material.brittle

    def span_direction(self) -> str:
        """Direction that a pull along the blade has to the layers; the weakest when the layers are not described."""
        if not self.layered:
            return ANY
        return ACROSS if self.blades.layer_normal in (None, "span") else IN_LAYERS

    def shear_out_direction(self, root: TangRoot) -> str:
        """Direction of the shear on the plug behind the hole: sliding between layers, or through them.

        The planes contain span and bolt, so the shear stress pairs the span with the third axis. It slides layer on
        layer when the layers are stacked along either of the two.
        """
        if not self.layered:
            return ANY
        normal = next(axis for axis in AXES if axis not in ("span", root.bolt_axis))
        return ACROSS if self.blades.layer_normal in (None, "span", normal) else IN_LAYERS

    def tension(self, direction: str) -> Allowable:
        """Tension along ``direction``."""
        coupons = self.blades.coupons
        if direction == ACROSS:
            if coupons.tension_across_mpa is not None:
                return self._own(TENSION, direction, "tension_across_mpa")
            if self.material is not None and self.material.across_mpa is not None:
                return self._published(TENSION, direction, self.material.across_mpa[0])
            return self._derived(self.tension(IN_LAYERS), TENSION, direction, ACROSS_OVER_IN_LAYER, "in-layer strength")
        if coupons.tension_mpa is not None:
            return self._own(TENSION, direction, "tension_mpa")
        if self.material is None:
            raise RigError(
                f"rig key blade_sets.{self.name}.material is missing: the strength check needs it, or coupons"
            )
        return self._published(TENSION, direction, self.material.tension_mpa[0])

    def shear(self, direction: str) -> Allowable:
        """Shear, sliding layer on layer for "across layers"."""
        coupons = self.blades.coupons
        key = "shear_across_mpa" if direction == ACROSS else "shear_mpa"
        if getattr(coupons, key) is not None:
            return self._own(SHEAR, direction, key)
        return self._derived(self.tension(direction), SHEAR, direction, SHEAR_OVER_TENSION, "tension")

    def bearing(self, direction: str) -> Allowable:
        """Bearing pressure: own coupons, else no better than the tension of that direction."""
        if self.blades.coupons.bearing_mpa is not None:
            return self._own(BEARING, direction, "bearing_mpa")
        return self._derived(self.tension(direction), BEARING, direction, 1.0, "tension")

    def bond_shear(self, stated_mpa: float | None) -> Allowable:
        """Shear of the glue line: own coupons, else the value stated in the root."""
        if self.blades.coupons.bond_shear_mpa is not None:
            return self._own(SHEAR, ANY, "bond_shear_mpa")
        if stated_mpa is None:
            raise RigError(f"rig key blade_sets.{self.name}.root.bond_shear_mpa is missing: a bonded root needs it")
        basis = "stated in root.bond_shear_mpa, not proved by coupons"
        return self._finished(SHEAR, ANY, stated_mpa, basis, None, "root.bond_shear_mpa")

    def factors(self) -> tuple[tuple[str, float], ...]:
        """Knock-downs on room-temperature, dry strength; an assumption unless the rig states its own."""
        found = []
        for name, fallback in (("temperature", TEMPERATURE_FACTOR), ("moisture", MOISTURE_FACTOR)):
            stated = getattr(self.blades, f"{name}_factor")
            assumed = fallback if self.material is None else getattr(self.material, f"{name}_factor")
            found.append((name, stated) if stated is not None else (f"{name} (assumed)", assumed))
        return tuple(found)

    def _own(self, kind: str, direction: str, key: str) -> Allowable:
        bound = lower_bound(getattr(self.blades.coupons, key))
        if bound.value_mpa <= 0.0:
            raise RigError(
                f"rig key blade_sets.{self.name}.coupons.{key}: {bound.count} specimens scatter by "
                f"{bound.deviation_mpa:.3g} MPa about {bound.mean_mpa:.3g}: no strength can be claimed; test more"
            )
        basis = (
            f"own coupons {key}: {bound.count} specimens, mean {bound.mean_mpa:.3g} MPa, "
            f"deviation {bound.deviation_mpa:.3g}, k {bound.k:.3f} "
            f"({COVERAGE:.0%} exceed it with {CONFIDENCE:.0%} confidence)"
        )
        return self._finished(kind, direction, bound.value_mpa, basis, bound, f"coupons.{key}")

    def _published(self, kind: str, direction: str, value_mpa: float) -> Allowable:
        assert self.material is not None
        basis = f"lowest published: {self.material.source} ({self.material.verified})"
        return self._finished(kind, direction, value_mpa, basis, None, f"{self.material.name} {direction}")

    def _derived(self, base: Allowable, kind: str, direction: str, ratio: float, of: str) -> Allowable:
        """An allowable taken as a ratio of another, which is said in its basis."""
        basis = base.basis if ratio == 1.0 and kind == TENSION else f"{ratio:g} of {of} (assumption), {base.basis}"
        room_mpa = base.room_pa * ratio / PA_PER_MPA
        return self._finished(kind, direction, room_mpa, basis, base.bound, base.rests_on)

    def _finished(
        self, kind: str, direction: str, room_mpa: float, basis: str, bound: LowerBound | None, rests_on: str
    ) -> Allowable:
        factors, value_pa = self.factors(), room_mpa * PA_PER_MPA
        for _, factor in factors:
            value_pa *= factor
        return Allowable(kind, direction, value_pa, room_mpa * PA_PER_MPA, factors, basis, bound, rests_on)
