"""The page of materials is made from the table."""

from __future__ import annotations

from pathlib import Path

from whirlbench.physics.materials import PUBLISHED
from whirlbench.physics.materials.materials_page import COMMAND, page_text

PAGE = Path(__file__).resolve().parents[3] / "bench" / "docs" / "materials.md"


def test_the_page_is_current_and_names_every_material() -> None:
    assert PAGE.read_text(encoding="utf-8") == page_text(), f"run: {COMMAND}"
    assert all(f"## `{name}`" in page_text() for name in PUBLISHED)
