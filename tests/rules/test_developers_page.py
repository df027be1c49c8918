"""DEVELOPERS.md and README.md name only files and folders that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PLACES = (ROOT, ROOT / "bench" / "whirlbench", ROOT / "firmware_sketch", ROOT / "tests")
FILE = re.compile(r"`([\w./-]+(?:\.(?:py|cpp|h|md|toml|css|html|ino|svg|json)|/))`")


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "README.md"])
def test_every_file_that_is_named_exists(page: str) -> None:
    named = set(FILE.findall((ROOT / page).read_text(encoding="utf-8")))
    assert len(named) > 3
    missing = [name for name in sorted(named) if not any((place / name).exists() for place in PLACES)]
    assert not missing, f"{page} names what is not there: {missing}"
