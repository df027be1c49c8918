"""Framing against published examples, on the Python side and on the sketch's C++.

COBS rows: Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7 (1999), as
tabulated in an encyclopaedia; read in quotation, not in the paper, and reproduced with the independent library
``cobs``. CRC check values: the catalogue of parametrised CRC algorithms, check word "123456789"; read in quotation and
recomputed bitwise here.
"""

from __future__ import annotations

import binascii
import sys
import zlib
from pathlib import Path

import pytest
from cobs import cobs

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))
import native_core

RAMP = bytes(range(256))
COBS_ROWS = {
    "COBS-0": (b"", "01"),
    "COBS-1": (b"\x00", "01 01"),
    "COBS-2": (b"\x00\x00", "01 01 01"),
    "COBS-3": (b"\x00\x11\x00", "01 02 11 01"),
    "COBS-4": (b"\x11\x22\x00\x33", "03 11 22 02 33"),
    "COBS-5": (b"\x11\x22\x33\x44", "05 11 22 33 44"),
    "COBS-6": (b"\x11\x00\x00\x00", "02 11 01 01 01"),
    "COBS-7": (RAMP[1:255], "FF" + RAMP[1:255].hex()),
    "COBS-8": (RAMP[:255], "01 FF" + RAMP[1:255].hex()),
    "COBS-9": (RAMP[1:], "FF" + RAMP[1:255].hex() + "02 FF"),
    "COBS-10": (RAMP[2:] + b"\x00", "FF" + RAMP[2:].hex() + "01 01"),
    "COBS-11": (RAMP[3:] + b"\x00\x01", "FE" + RAMP[3:].hex() + "02 01"),
}
CHECK = b"123456789"
ISO_HDLC_CHECK = 0xCBF43926


@pytest.mark.parametrize("name", COBS_ROWS)
def test_cobs_rows_of_the_published_table(name: str) -> None:
    data, encoded = COBS_ROWS[name]
    expected = bytes.fromhex(encoded)
    assert native_core.encode(data) == expected + b"\0"
    assert cobs.encode(data) == expected
    assert cobs.decode(expected) == data


def test_cobs_figure_2_of_the_paper() -> None:
    """679 bytes of 01, then one of 00: 683 bytes with the codes FF, FF, AC, 01 (figure 2, read in quotation)."""
    encoded = native_core.encode(b"\x01" * 679 + b"\x00")[:-1]
    assert len(encoded) == 683
    assert [encoded[0], encoded[255], encoded[510], encoded[682]] == [0xFF, 0xFF, 0xAC, 0x01]
    assert cobs.decode(encoded) == b"\x01" * 679 + b"\x00"


def test_a_full_run_at_the_end_takes_no_closing_code() -> None:
    """Both forms decode, but their bytes differ: ours is the paper's shorter one."""
    data = RAMP[1:255]
    assert native_core.encode(data) == b"\xff" + data + b"\0"
    assert cobs.decode(b"\xff" + data + b"\x01") == data


def test_crc_32_iso_hdlc_check_value() -> None:
    assert zlib.crc32(CHECK) == ISO_HDLC_CHECK
    assert native_core.crc32(CHECK) == ISO_HDLC_CHECK
    assert crc_bitwise(CHECK) == ISO_HDLC_CHECK


def crc_bitwise(data: bytes) -> int:
    """CRC-32/ISO-HDLC by its definition: polynomial 04C11DB7 reflected, all ones before and after."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def test_it_is_none_of_the_crcs_that_are_easily_mistaken_for_it() -> None:
    """CRC-32C and CRC-32/MPEG-2 have check values E3069283 and 0376E6E7; the CRC-16s named "CCITT" 29B1 and 31C3."""
    assert native_core.crc32(CHECK) not in (0xE3069283, 0x0376E6E7)
    assert binascii.crc_hqx(CHECK, 0xFFFF) == 0x29B1
    assert binascii.crc_hqx(CHECK, 0) == 0x31C3


def test_the_remainder_over_data_and_crc_is_the_published_residue() -> None:
    """An intact frame leaves the register at DEBB20E3, or 2144DF1C after the final inversion (from memory)."""
    for data in (b"", CHECK, RAMP):
        whole = data + zlib.crc32(data).to_bytes(4, "little")
        assert native_core.crc32(whole) == 0x2144DF1C == 0xDEBB20E3 ^ 0xFFFFFFFF
