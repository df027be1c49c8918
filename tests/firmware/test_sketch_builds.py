"""The sketch compiles without a warning for both boards, and fits with room to spare."""

from __future__ import annotations

import re

import build
import pytest
import wiring_drawing
from stack_depth import deepest

STACK_RESERVE = 512  # bytes; the deepest stack is worked out below
CONDITION = re.compile(r"^\s*#\s*(if|ifdef|ifndef|elif|else)\b", re.MULTILINE)


@pytest.mark.parametrize("name", build.BOARDS)
def test_the_sketch_compiles_and_fits(name: str) -> None:
    board, taken = build.BOARDS[name], build.size(build.sketch(name))
    assert taken.flash < 0.9 * board.flash
    depth = deepest(build.sketch(name), board.address_bytes)
    assert taken.ram <= board.ram - STACK_RESERVE
    assert 100 < depth.main and depth.main + depth.interrupt <= STACK_RESERVE - 16  # spare


@pytest.mark.parametrize("board", build.BOARDS)
def test_the_second_parts_compile_and_fit_as_well(board: str) -> None:
    assert build.size(build.sketch(board, build.SECOND_PARTS)).flash < 0.9 * build.BOARDS[board].flash


def test_only_board_files_ask_which_chip_it_is() -> None:
    asking = {path.name for path in build.sketch_sources() if CONDITION.search(path.read_text(encoding="utf-8"))}
    assert asking == {"board_atmega2560.cpp", "board_atmega328p.cpp", "board_flash.h"}


def test_the_drawing_is_up_to_date_and_shows_the_pins_of_the_board_files() -> None:
    assert wiring_drawing.PAGE.read_text(encoding="utf-8") == wiring_drawing.drawing()
    for board, column in (("atmega2560", 2), ("atmega328p", 3)):
        text = (build.SKETCH / f"board_{board}.cpp").read_text(encoding="utf-8")
        for row in wiring_drawing.ROWS:
            for pin in row[column].split(", "):
                assert pin.startswith("A") or re.search(rf"\b{pin}\b", text), f"{board}: {row[0]} {pin}"


def test_the_entry_file_is_small_and_the_rest_is_apart() -> None:
    entry = build.SKETCH / "firmware_sketch.ino"
    assert len(entry.read_text(encoding="utf-8").splitlines()) < 120
    lines = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in build.SKETCH.glob("*.cpp")}
    assert lines.pop("machine.cpp") <= 780  # a state machine stays whole in one file
    assert max(lines.values()) <= 320
