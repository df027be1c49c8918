"""Entries of the log and files to hold them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from whirlbench.log import RunUse, SetLog

USE = RunUse("a.h5", "0" * 64, False, 60.0, 1, 3000.0, 5000.0, 6000.0)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[SetLog]:
    """An empty log of real runs, its clock standing still."""
    with SetLog(tmp_path / "sets.sqlite", now=lambda: "2026-05-01T10:00:00+00:00") as opened:
        yield opened


@pytest.fixture
def a_use() -> Callable[..., RunUse]:
    """The use of one run, with other values where they are given; each of another recording."""
    numbers = iter(range(1, 1000))

    def make(**values: object) -> RunUse:
        return replace(USE, **{"sha256": f"{next(numbers):064x}", **values})  # type: ignore[arg-type]

    return make
