"""The sketch compiles without a warning for both boards, and fits with room to spare."""

from __future__ import annotations

import build
import pytest

STACK_RESERVE = 512  # bytes; the deepest stack seen on the simulated chip is about 390 (see PROTOCOL.md, "Memory")


@pytest.mark.parametrize("name", build.BOARDS)
def test_the_sketch_compiles_and_fits(name: str) -> None:
    board, taken = build.BOARDS[name], build.size(build.sketch(name))
    assert taken.flash < 0.9 * board.flash
    assert taken.ram <= board.ram - STACK_RESERVE


def test_the_entry_file_is_small_and_the_rest_is_apart() -> None:
    entry = build.SKETCH / "firmware_sketch.ino"
    assert len(entry.read_text(encoding="utf-8").splitlines()) < 120
    lines = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in build.SKETCH.glob("*.cpp")}
    assert lines.pop("machine.cpp") <= 620  # a state machine stays whole in one file
    assert max(lines.values()) <= 320
