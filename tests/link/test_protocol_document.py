"""PROTOCOL.md says what the program does: its tables are current, its examples and constants are true."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import pytest

from whirlbench.link.codegen.protocol_notes import MEMBER_NOTES
from whirlbench.link.codegen.protocol_tables import COMMAND, EXAMPLES, updated
from whirlbench.link.framing import Unframer
from whirlbench.link.limit_table import checksum, start_values
from whirlbench.link.messages import FROM_DEVICE, FROM_HOST, PROTOCOL_VERSION, Result, encode

DOCUMENT = Path(__file__).resolve().parents[2] / "firmware_sketch" / "PROTOCOL.md"
TEXT = DOCUMENT.read_text(encoding="utf-8")


def test_the_tables_are_current() -> None:
    assert updated(TEXT) == TEXT, f"run: {COMMAND}"


def test_every_message_has_its_table() -> None:
    for message in FROM_DEVICE + FROM_HOST:
        assert f"#### {message.__name__}: type 0x{message.TYPE:02x}" in TEXT


def test_the_printed_frames_decode_to_the_messages_beside_them() -> None:
    rows = re.findall(r"^\| `(\w+\(.*?\))`, sequence (\d+) \| `([0-9a-f ]+)` \| `([0-9a-f ]+)` \|$", TEXT, re.MULTILINE)
    assert len(rows) == len(EXAMPLES)
    for (shown, sequence, payload, wire), (message, expected_sequence) in zip(rows, EXAMPLES, strict=True):
        assert shown == str(message)
        assert Unframer().feed_numbered(bytes.fromhex(wire)) == [(int(sequence), message)]
        assert bytes.fromhex(payload) == encode(message, expected_sequence)


def test_the_constants_in_the_text_are_true() -> None:
    assert f"Protocol version {PROTOCOL_VERSION}." in TEXT
    assert f"give 0x{zlib.crc32(b'123456789'):08X}" in TEXT
    assert f"start values is 0x{checksum(start_values()):08X}" in TEXT
    assert MEMBER_NOTES[Result].keys() <= {result.name for result in Result}


def test_a_mark_that_is_missing_is_an_error() -> None:
    with pytest.raises(ValueError, match="expected 1"):
        updated(TEXT.replace("<!-- tables: limits -->", ""))
