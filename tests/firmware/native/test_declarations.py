"""The generated declarations are current, and they declare what Python declares."""

from __future__ import annotations

from itertools import pairwise

import build

from whirlbench.link.codegen.cpp_declarations import COMMAND, declarations_text, fields_of
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import FROM_DEVICE, FROM_HOST, Slow

DECLARATIONS = build.SKETCH / "wire_messages.h"


def test_the_declarations_in_the_sketch_are_current() -> None:
    assert DECLARATIONS.read_text(encoding="utf-8") == declarations_text(), f"run: {COMMAND}"


def test_every_message_and_every_limit_slot_is_declared() -> None:
    text = declarations_text()
    for message in FROM_DEVICE + FROM_HOST:
        assert f"struct {message.__name__} {{" in text
        assert f"TYPE = {message.TYPE:#04x}" in text
    for slot in LimitId:
        assert f"LIMIT_{slot.name} = {slot.value}," in text


def test_field_offsets_follow_type_and_sequence_without_gaps() -> None:
    fields = list(fields_of(Slow))
    assert fields[0] == ("time_us", "I", 2, 4)
    assert fields[-1] == ("flags", "B", 31, 1)
    for (_, _, offset, width), (_, _, following, _) in pairwise(fields):
        assert following == offset + width


def test_portable_files_include_nothing_of_the_board() -> None:
    for source in build.portable_sources():
        for path in (source, source.with_suffix(".h")):
            text = path.read_text(encoding="utf-8") if path.exists() else ""
            outside = text.replace("<avr/pgmspace.h>", "")
            assert "Arduino.h" not in outside.replace("no Arduino.h", ""), path.name
            assert "<avr/" not in outside, path.name
