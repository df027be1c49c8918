"""The examples of the documentation run, in order, on the demo recordings; and the package's own names are lazy."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import whirlbench

TOP = Path(__file__).resolve().parents[2]
PAGE = TOP / "bench" / "docs" / "python.md"
BLOCKS = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def results() -> dict[str, Any]:
    """What the examples leave behind; they build on each other, as on the page."""
    names: dict[str, Any] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(TOP)
        for block in BLOCKS:
            exec(compile(block, str(PAGE), "exec"), names)
    return names


def test_the_examples_run_and_find_what_the_recordings_hold(results: dict[str, Any]) -> None:
    report, found = results["report"], results["found"]
    assert report.onset.at_s == pytest.approx(38.0, abs=3.0)
    assert report.resonances
    assert found.unbalance_g_mm == pytest.approx(70.0, abs=5.0)


def test_every_public_name_stands_on_the_page_and_exists() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for name in whirlbench.__all__:
        assert callable(getattr(whirlbench, name))
        assert f"`{name}(" in page
    assert set(whirlbench.__all__) <= set(dir(whirlbench))


def test_unknown_names_are_attribute_errors() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing_of_the_kind'"):
        _ = whirlbench.nothing_of_the_kind


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, whirlbench; print([m for m in ('numpy', 'scipy', 'h5py', 'msgspec') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
