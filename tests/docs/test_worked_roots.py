"""The three worked roots of the docs: the page is current, and every line works out."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import pytest

_PATH = Path(__file__).with_name("worked_roots.py")
_SPEC = importlib.util.spec_from_file_location("worked_roots", _PATH)
assert _SPEC is not None and _SPEC.loader is not None
worked_roots = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(worked_roots)


def test_the_page_is_current() -> None:
    page = (worked_roots.DOCS / "worked_roots.md").read_text(encoding="utf-8")
    assert page == worked_roots.page_text(), "run: python tests/docs/worked_roots.py"


@pytest.mark.parametrize("name", worked_roots.RIGS)
def test_every_line_works_out(name: str) -> None:
    _, (one,) = worked_roots.worked(name)
    lines = [line for line in one.lines if line.numbers]
    assert len(lines) > 12
    for line in lines:
        assert eval(line.numbers, {"pi": math.pi, "sqrt": math.sqrt}) == pytest.approx(line.result, rel=2e-4), line.what
