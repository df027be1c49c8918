"""What warmth and water leave of a strength: by the material and how warm and how dry it is, each with its basis."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.physics.materials.material import (
    MOISTURE_FACTOR,
    ROOM_C,
    TEMPERATURE_FACTOR,
    WARM_C,
    Condition,
    Material,
)

ASSUMED = "our assumption, no source"


@dataclass(frozen=True)
class KnockDown:
    """Share of a strength that is left, why, and whether any part of it had to be assumed."""

    name: str
    factor: float
    basis: str
    assumed: bool


def warmth(material: Material | None, temperature_c: float | None) -> KnockDown | None:
    """Share left at a temperature in C (None: not stated, a warm stand); None where nothing is known so warm."""
    at_c = WARM_C if temperature_c is None else temperature_c
    not_stated = f"temperature_c is not given, {WARM_C:g} C is taken; " if temperature_c is None else ""
    if material is None:
        factor = 1.0 if at_c <= ROOM_C else TEMPERATURE_FACTOR if at_c <= WARM_C else None
    elif temperature_c is None:
        factor = material.temperature_factor
    else:
        factor = material.temperature_factor_at(at_c)
    if factor is None:
        return None
    curve = None if material is None else material.temperature
    known = curve is not None or (temperature_c is not None and at_c <= ROOM_C)
    basis = ASSUMED if not known else "room temperature" if curve is None else curve.source
    return KnockDown("temperature", factor, f"{not_stated}{basis}", bool(not_stated) or not known)


def water(material: Material | None, condition: Condition | None) -> KnockDown:
    """Share of dry strength left in a condition; None: not stated, in ordinary air."""
    at: Condition = condition or "conditioned"
    not_stated = "" if condition else f"condition is not given, {at} is taken; "
    if at == "dry":
        return KnockDown("moisture", 1.0, "dry, as stated", False)
    if material is None:
        return KnockDown("moisture", MOISTURE_FACTOR, f"{not_stated}{ASSUMED}", True)
    if not material.moisture:
        return KnockDown("moisture", 1.0, f"{material.title} takes up next to no water", False)
    figure = material.moisture.get(at)
    basis = ASSUMED if figure is None or figure.status == "assumption" else figure.told
    assumed = bool(not_stated) or basis == ASSUMED
    return KnockDown("moisture", material.moisture_factor_in(at), f"{not_stated}{basis}", assumed)
