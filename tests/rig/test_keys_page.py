"""The page of rig keys is current, and every key says what it is."""

from __future__ import annotations

from pathlib import Path

from declared_keys import declared

from whirlbench.rig.keys_page import COMMAND, page_text

PAGE = Path(__file__).resolve().parents[2] / "bench" / "docs" / "rig_keys.md"
UNITS = ("_m", "_kg", "_us", "_ms", "_rpm", "_deg", "_mm", "_n", "_a", "_v", "_w", "_hz", "_pct", "_mpa", "_ohm")


def test_the_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == page_text(), f"run: {COMMAND}"


def test_every_key_has_a_meaning_and_a_unit_where_its_name_has_one() -> None:
    rows = dict(declared())
    assert len(rows) > 120
    for path, row in rows.items():
        assert row.meaning.endswith("."), path
        assert row.unit or not row.name.endswith(UNITS), path


def test_the_page_lists_every_key_once_in_each_section() -> None:
    text = page_text()
    for path, row in declared():
        assert f"| `{row.name}` |" in text, path
    assert "| `overspeed_rpm` | rpm | above 0 |" in text
    assert "| `bolts` |  | 1 to 4 | 1 |" in text
