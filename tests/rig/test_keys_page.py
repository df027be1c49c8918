"""The page of rig keys is current, and every key says what it is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from declared_keys import declared

from whirlbench.rig.declaration import Section, keys_of
from whirlbench.rig.description import Rig
from whirlbench.rig.keys_page import COMMAND, EXAMPLES, USERS, _inner, example_of, page_text

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
    assert "| `overspeed_rpm` | rpm | above 0 |  | `overspeed_rpm = 6000` |" in text
    assert "| `bolts` |  | 1 to 4 | 1 | `bolts = 2` |" in text


def sections(path: str = "", section: type[Section] = Rig) -> Iterator[tuple[str, type[Section]]]:
    """Every section with its path, as the page goes through them."""
    yield path, section
    for row in keys_of(section):
        for name, below in _inner(f"{path}.{row.name}" if path else row.name, row.kind):
            yield from sections(name, below)


@pytest.mark.parametrize("path,section", list(sections()), ids=[path or "top" for path, _ in sections()])
def test_every_key_has_an_example_that_its_declaration_admits(path: str, section: type[Section]) -> None:
    fields = {field.encode_name: field for field in msgspec.structs.fields(section)}
    for row in keys_of(section):
        if not list(_inner(row.name, row.kind)):
            example = example_of(path, row)
            assert example is not None, f"{path}.{row.name}"
            msgspec.convert(example, fields[row.name].type)
            numbers = [example] if isinstance(example, (int, float)) else []
            assert all(row.within is None or row.within[0] <= one <= row.within[1] for one in numbers), row.name


def test_no_example_of_ours_is_for_a_key_that_is_not_there() -> None:
    assert {name.rpartition(".")[2] for name in EXAMPLES} <= {row.name for _, row in declared()}


def test_every_section_says_who_uses_it() -> None:
    assert set(USERS) == {path.partition(".")[0].partition(",")[0] for path, _ in sections()}
