"""The table of published figures, read from ``published.toml`` beside this file."""

from __future__ import annotations

import tomllib
from importlib import resources

import msgspec

from whirlbench.physics.materials.material import Material

TABLE = "published.toml"


def published(text: str) -> dict[str, Material]:
    """The materials in the TOML ``text`` by name; msgspec's ValidationError names what is not declared."""
    table = msgspec.convert(tomllib.loads(text), dict[str, Material])
    return {name: msgspec.structs.replace(material, name=name) for name, material in table.items()}


PUBLISHED: dict[str, Material] = published(
    resources.files("whirlbench.physics.materials").joinpath(TABLE).read_text(encoding="utf-8")
)
