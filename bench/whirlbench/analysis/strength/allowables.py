"""What a blade set's material may carry in a given direction, and every assumption on the way there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from whirlbench.errors import RigError
from whirlbench.physics.joints import CLAMP_KEPT_METAL, CLAMP_KEPT_UNKNOWN, CLAMP_KEPT_WOOD
from whirlbench.physics.materials import (
    ACROSS_OVER_IN_LAYER,
    CONFIDENCE,
    COVERAGE,
    SHEAR_OVER_TENSION,
    WELD_LINE_FACTOR,
    Figure,
    KnockDown,
    LowerBound,
    Material,
    lower_bound,
    warmth,
    water,
)
from whirlbench.rig.blade_sets import BladeSet, ClampedRoot, TangRoot

TENSION, SHEAR, BEARING = "tension", "shear", "bearing"
ACROSS, IN_LAYERS, ANY, GRAIN = "across layers", "in the layers", "no layers", "across the grain"
WEAK = (ACROSS, GRAIN)  # directions that a mode's name tells
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

    def peak_judged(self, weld_line: bool) -> tuple[bool, str]:
        """Whether the elastic peak beside a hole may not pass the strength, and by which rule.

        It may not where the material is brittle (strain at break below 5 %, stated, or not known), where it is
        notch-sensitive (layers, grain or flow lines to tear along), or where a weld line ends at the hole.
        """
        if weld_line:
            return True, "a weld line ends at the hole"
        if self.blades.brittle is not None:
            stated = "brittle" if self.blades.brittle else "not brittle"
            return self.blades.brittle, f"blade_sets.{self.name}.brittle says {stated}"
        if self.material is None:
            return True, "no material is named"
        notch = self.material.notch_in(self.blades.condition, weld_line)
        return notch != "ductile", f"{self.material.title} is {notch}"

    def weld_line(self, root: TangRoot) -> bool:
        """Whether a weld line ends at the hole: as stated, else assumed where the blade is moulded."""
        if root.weld_line is not None:
            return root.weld_line
        return self.material is not None and self.material.family == "moulded"

    def clamp_kept(self, root: ClampedRoot) -> tuple[float, str]:
        """(share of the clamp's force that is left after creep, its basis)."""
        if root.force_kept is not None:
            return root.force_kept, "as stated in root.force_kept"
        family = None if self.material is None else self.material.family
        if self.material is not None and self.material.creep is not None:
            return self.material.creep.low, f"as the creep modulus after 1000 h: {self.material.creep.told}"
        shares = {"metal": CLAMP_KEPT_METAL, "wood": CLAMP_KEPT_WOOD}
        return shares.get(family or "", CLAMP_KEPT_UNKNOWN), "our assumption, no source"

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
        return ACROSS if self.blades.layer_normal in (None, "span", third_axis(root)) else IN_LAYERS

    def cleavage_direction(self, root: TangRoot) -> str:
        """Direction of the tension that splits the end along the pull: across layers that lie across the width."""
        if self.grained:
            return GRAIN
        if not self.layered:
            return ANY
        return ACROSS if self.blades.layer_normal in (None, third_axis(root)) else IN_LAYERS

    @property
    def grained(self) -> bool:
        """Whether the blade is of wood, its grain along the span."""
        return self.material is not None and self.material.family == "wood"

    def tension(self, direction: str) -> Allowable:
        """Tension along ``direction``."""
        coupons = self.blades.coupons
        if direction in WEAK:
            if coupons.tension_across_mpa is not None:
                return self._own(TENSION, direction, "tension_across_mpa")
            if self.material is not None and self.material.across is not None:
                return self._published(TENSION, direction, self.material.across)
            return self._derived(self.tension(IN_LAYERS), TENSION, direction, ACROSS_OVER_IN_LAYER, "in-layer strength")
        if coupons.tension_mpa is not None:
            return self._own(TENSION, direction, "tension_mpa")
        if self.material is None:
            raise RigError(
                f"rig key blade_sets.{self.name}.material is missing: the strength check needs it, or coupons"
            )
        return self._published(TENSION, direction, self.material.tension)

    def shear(self, direction: str) -> Allowable:
        """Shear, sliding layer on layer for "across layers"."""
        key = "shear_across_mpa" if direction == ACROSS else "shear_mpa"
        if getattr(self.blades.coupons, key) is not None:
            return self._own(SHEAR, direction, key)
        figure = None if self.material is None else getattr(self.material, key.removesuffix("_mpa"))
        derived = self._derived(self.tension(direction), SHEAR, direction, SHEAR_OVER_TENSION, "tension")
        if figure is None or (self._owns_tension(direction) and not self.grained):
            return derived
        return self._published(SHEAR, direction, figure)

    def bearing(self, direction: str) -> Allowable:
        """Bearing pressure: own coupons, else as published, else no better than the tension of that direction."""
        if self.blades.coupons.bearing_mpa is not None:
            return self._own(BEARING, direction, "bearing_mpa")
        figure = None if self.material is None else self.material.bearing
        if figure is None or self._owns_tension(direction):
            return self._derived(self.tension(direction), BEARING, direction, 1.0, "tension")
        return self._published(BEARING, direction, figure)

    def crush(self, direction: str) -> Allowable:
        """Pressure that a jaw may put on the flat side: as published for wood, else as bearing."""
        figure = None if self.material is None else self.material.crush
        if figure is None or self.blades.coupons.bearing_mpa is not None:
            return self.bearing(direction)
        return self._published(BEARING, GRAIN if self.grained else direction, figure)

    def at_weld_line(self, allowable: Allowable) -> Allowable:
        """``allowable`` where two flows of the moulding met."""
        factor, basis = WELD_LINE_FACTOR, "assumption"
        if self.material is not None and self.material.weld_line is not None:
            factor, basis = self.material.weld_line.low, self.material.weld_line.told
        return replace(
            allowable,
            value_pa=allowable.value_pa * factor,
            factors=(*allowable.factors, ("weld line", factor)),
            basis=f"{allowable.basis}; weld line beside the hole: {basis}",
        )

    def _owns_tension(self, direction: str) -> bool:
        """Whether own coupons tell the tension of a direction: what they are worth, the rest is held to."""
        coupons = self.blades.coupons
        return (coupons.tension_across_mpa if direction in WEAK else coupons.tension_mpa) is not None

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
        return tuple((f"{one.name} (assumed)" if one.assumed else one.name, one.factor) for one in self.knock_downs())

    def knock_downs(self) -> tuple[KnockDown, ...]:
        """What warmth and water leave, as the rig states it, else as published or assumed.

        RigError where the blade gets warmer than any figure of its material reaches.
        """
        return self._stated("temperature", self._warmth), self._stated("moisture", self._water)

    def _stated(self, name: str, otherwise: Callable[[], KnockDown]) -> KnockDown:
        factor = getattr(self.blades, f"{name}_factor")
        return otherwise() if factor is None else KnockDown(name, factor, "as stated in the rig", False)

    def _water(self) -> KnockDown:
        return water(self.material, self.blades.condition)

    def _warmth(self) -> KnockDown:
        found = warmth(self.material, self.blades.temperature_c)
        if found is None:
            key = f"blade_sets.{self.name}"
            raise RigError(
                f"rig key {key}.temperature_c is {self.blades.temperature_c:g}: no strength is known of the material "
                f"so warm; keep the root cooler, or give {key}.temperature_factor from coupons pulled as warm"
            )
        return found

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

    def _published(self, kind: str, direction: str, figure: Figure) -> Allowable:
        assert self.material is not None
        basis = f"lowest published: {figure.told}"
        return self._finished(kind, direction, figure.low, basis, None, f"{self.material.name} {kind} {direction}")

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


def third_axis(root: TangRoot) -> str:
    """The axis at right angles to span and bolt: across the tang's width."""
    return next(axis for axis in AXES if axis not in ("span", root.bolt_axis))
