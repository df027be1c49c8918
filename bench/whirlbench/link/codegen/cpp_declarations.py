"""Writes the sketch's ``wire_messages.h`` from the message classes, so that both ends cannot drift apart.

The sketch packs what a device sends and unpacks what a host sends. The other direction is written for the tests only.

After a change of messages, limits or channels run
``python -m whirlbench.link.codegen.cpp_declarations firmware_sketch/wire_messages.h``.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from enum import IntEnum
from pathlib import Path

from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.limit_table import ADC_FULL, LIMIT_SLOTS, LimitId
from whirlbench.link.messages import (
    CODECS,
    FROM_DEVICE,
    FROM_HOST,
    MOST_EDGES,
    PROTOCOL_VERSION,
    TICKS_PER_US,
    VIBRATION_BLOCK,
    Accelerometer,
    Board,
    Codec,
    EventKind,
    Flag,
    GovernorId,
    GovernorMode,
    LoadConverter,
    Message,
    Reason,
    Restart,
    Result,
    State,
)
from whirlbench.units import MIDDLE_NEUTRAL_CAP_US, SAFE_PULSE_CAP_US

COMMAND = "python -m whirlbench.link.codegen.cpp_declarations firmware_sketch/wire_messages.h"
ENUMS: tuple[type[IntEnum], ...] = (
    State, Reason, Flag, Board, Accelerometer, LoadConverter, Restart, LimitId, GovernorId, GovernorMode, EventKind,
    Result,
)  # fmt: skip
PREFIXES = {LimitId: "LIMIT", GovernorId: "GOVERNOR", EventKind: "EVENT"}
FIELD_TYPES = {
    "B": ("uint8_t", 1),
    "H": ("uint16_t", 2),
    "I": ("uint32_t", 4),
    "h": ("int16_t", 2),
    "i": ("int32_t", 4),
}

PREAMBLE = f"""\
// Generated from bench/whirlbench/link/messages.py by: {COMMAND}
// Do not edit: tests/firmware/native/test_declarations.py fails when this file and the Python classes differ.
#pragma once

#include <stdint.h>
#include <string.h>

#include "board_flash.h"
#include "build_choice.h"

namespace wire {{

// Little-endian bytes, written one by one: no alignment and no host byte order in the protocol.
inline void put_u8(uint8_t *at, uint8_t value) {{ at[0] = value; }}
inline void put_u16(uint8_t *at, uint16_t value) {{
  at[0] = static_cast<uint8_t>(value);
  at[1] = static_cast<uint8_t>(value >> 8);
}}
inline void put_u32(uint8_t *at, uint32_t value) {{
  put_u16(at, static_cast<uint16_t>(value));
  put_u16(at + 2, static_cast<uint16_t>(value >> 16));
}}
inline void put_i16(uint8_t *at, int16_t value) {{ put_u16(at, static_cast<uint16_t>(value)); }}
inline void put_i32(uint8_t *at, int32_t value) {{ put_u32(at, static_cast<uint32_t>(value)); }}
inline uint8_t get_u8(const uint8_t *at) {{ return at[0]; }}
inline uint16_t get_u16(const uint8_t *at) {{
  return static_cast<uint16_t>(at[0] | (static_cast<uint16_t>(at[1]) << 8));
}}
inline uint32_t get_u32(const uint8_t *at) {{
  return get_u16(at) | (static_cast<uint32_t>(get_u16(at + 2)) << 16);
}}
inline int32_t get_i32(const uint8_t *at) {{ return static_cast<int32_t>(get_u32(at)); }}
"""


READERS = """\
namespace wire {
inline int16_t get_i16(const uint8_t *at) { return static_cast<int16_t>(get_u16(at)); }
}  // namespace wire
"""


def declarations_text() -> str:
    """The sketch's file: constants, enums, both tables, a struct for each message with the direction a device needs."""
    parts = [PREAMBLE, _constants(), *map(_enum, ENUMS), _limit_ranges(), _channel_rows()]
    for message in FROM_DEVICE + FROM_HOST:
        codec = CODECS[message.TYPE]
        parts += [_struct(codec), _pack(codec) if message in FROM_DEVICE else _unpack(codec)]
    return "\n".join(parts) + "\n}  // namespace wire\n"


def other_direction_text() -> str:
    """What a device has no use for, in C++ for the tests: unpacks its messages, packs commands, judges lengths."""
    parts = ['#include "wire_messages.h"', READERS, "namespace wire {\n"]
    for message in FROM_DEVICE + FROM_HOST:
        codec = CODECS[message.TYPE]
        parts += [_fits(codec), _unpack(codec) if message in FROM_DEVICE else _pack(codec)]
    return "\n".join(parts) + "\n}  // namespace wire\n"


def _constants() -> str:
    longest = max(_longest_payload(CODECS[message.TYPE]) for message in FROM_DEVICE)
    longest_command = max(CODECS[message.TYPE].fixed.size for message in FROM_HOST)
    values = {
        "PROTOCOL_VERSION": PROTOCOL_VERSION,
        "TICKS_PER_US": TICKS_PER_US,
        "LIMIT_SLOTS": LIMIT_SLOTS,
        "GOVERNOR_PARAMETERS": len(GovernorId),
        "MOST_EDGES": MOST_EDGES,
        "VIBRATION_BLOCK": VIBRATION_BLOCK,
        "CHANNELS": len(CHANNEL_TABLE),
        "LONGEST_PAYLOAD": longest,
        "LONGEST_COMMAND": longest_command,
    }
    lines = [f"const uint8_t {name} = {value};" for name, value in values.items()]
    wide = {
        "ADC_FULL": ADC_FULL,
        "THROTTLE_START_HZ": LimitId.THROTTLE_RATE_HZ.start,
        "SERVO_START_HZ": LimitId.SERVO_RATE_HZ.start,
    }
    lines += [f"const uint16_t {name} = {value};" for name, value in wide.items()]
    return "\n".join([*lines, "", *_safe_pulse_cap(), ""])


def _safe_pulse_cap() -> list[str]:
    return [
        "// Greatest pulse that may count as safe.",
        f"const uint16_t SAFE_PULSE_CAP_US = build::MIDDLE_NEUTRAL ? {MIDDLE_NEUTRAL_CAP_US} : {SAFE_PULSE_CAP_US};",
    ]


def _longest_payload(codec: Codec) -> int:
    entries = {"Tach": MOST_EDGES, "Vibration": 3 * VIBRATION_BLOCK, "Limits": LIMIT_SLOTS}
    return codec.fixed.size + codec.tail_width * entries.get(codec.message.__name__, 0)


def _snake(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).upper()


def _enum(members: type[IntEnum]) -> str:
    prefix = PREFIXES.get(members, _snake(members.__name__))
    lines = [f"  {prefix}_{member.name} = {member.value}," for member in members]
    return "\n".join([f"enum {members.__name__} : uint8_t {{", *lines, "};", ""])


def _limit_ranges() -> str:
    rows = [
        f"    {{{slot.start}UL, {slot.lowest}UL, {_highest(slot)}, {int(slot.zero)}}},  // {slot.name}"
        for slot in LimitId
    ]
    return "\n".join(
        [
            "// Start value, lowest, highest, and whether zero (rule off) is admitted besides.",
            "struct LimitRange {\n  uint32_t start, lowest, highest;\n  uint8_t zero;\n};",
            "static const LimitRange LIMIT_RANGES[LIMIT_SLOTS] IN_FLASH = {",
            *rows,
            "};",
            "",
        ]
    )


def _highest(slot: LimitId) -> str:
    return "SAFE_PULSE_CAP_US" if slot is LimitId.THROTTLE_SAFE_US else f"{slot.highest}UL"


def _channel_rows() -> str:
    rows = [
        f'    {{{row.index}, {row.stream:#04x}, {row.bits}, "{_text(row.name)}", "{_text(row.unit)}"}},'
        for row in CHANNEL_TABLE
    ]
    return "\n".join(
        [
            "struct ChannelRow {\n  uint8_t index, stream, bits;\n  char name[16];\n  char unit[8];\n};",
            "static const ChannelRow CHANNEL_ROWS[CHANNELS] IN_FLASH = {",
            *rows,
            "};",
            "",
        ]
    )


def _text(padded: bytes) -> str:
    return padded.rstrip(b"\0").decode("ascii")


class _Field:
    """One fixed field of a message: its C++ declaration, and the statements that pack and unpack it."""

    def __init__(self, name: str, code: str, offset: int) -> None:
        self.name, self.offset = name, offset
        self.text_width = int(code[:-1]) if code.endswith("s") else 0
        self.c_type, self.width = ("char", self.text_width) if self.text_width else FIELD_TYPES[code]
        self.suffix = self.c_type.replace("uint", "u").replace("int", "i").removesuffix("_t")

    def declaration(self) -> str:
        size = f"[{self.text_width}]" if self.text_width else ""
        return f"  {self.c_type} {self.name}{size};  // at {self.offset}"

    def pack(self) -> str:
        if self.text_width:
            return f"  memcpy(at + {self.offset}, message.{self.name}, {self.width});"
        return f"  put_{self.suffix}(at + {self.offset}, message.{self.name});"

    def unpack(self) -> str:
        if self.text_width:
            return f"  memcpy(message.{self.name}, at + {self.offset}, {self.width});"
        return f"  message.{self.name} = get_{self.suffix}(at + {self.offset});"


def fields_of(message: type[Message]) -> Iterator[tuple[str, str, int, int]]:
    """Fixed fields of ``message`` in order: (name, struct code, offset in the payload, width in bytes)."""
    offset = 2
    for name, code in CODECS[message.TYPE].codes.items():
        field = _Field(name, code, offset)
        yield name, code, offset, field.width
        offset += field.width


def _own_fields(codec: Codec) -> list[_Field]:
    return [_Field(field, code, offset) for field, code, offset, _ in fields_of(codec.message)]


def _struct(codec: Codec) -> str:
    name = codec.message.__name__
    summary = (codec.message.__doc__ or "").strip().splitlines()[0].split("``")
    tail = (
        [f"  // tail of {FIELD_TYPES[codec.message.TAIL][0]} entries at {codec.fixed.size}"] if codec.tail_width else []
    )
    return "\n".join(
        [
            f"// {''.join(summary)}",
            f"struct {name} {{",
            f"  enum : uint8_t {{ TYPE = {codec.message.TYPE:#04x}, SIZE = {codec.fixed.size} }};",
            *[field.declaration() for field in _own_fields(codec)],
            *tail,
            "};",
        ]
    )


def _pack(codec: Codec) -> str:
    name, fields = codec.message.__name__, _own_fields(codec)
    return "\n".join(
        [
            f"inline uint8_t pack(const {name} &{'message' if fields else ''}, uint8_t *at) {{",
            f"  at[0] = {name}::TYPE;\n  at[1] = 0;  // sequence number, stamped when the frame is sent",
            *[field.pack() for field in fields],
            f"  return {name}::SIZE;\n}}\n",
        ]
    )


def _unpack(codec: Codec) -> str:
    name, fields = codec.message.__name__, _own_fields(codec)
    return "\n".join(
        [
            f"inline void unpack(const uint8_t *{'at' if fields else ''}, {name} &{'message' if fields else ''}) {{",
            *[field.unpack() for field in fields],
            "}\n",
        ]
    )


def _fits(codec: Codec) -> str:
    size, width = codec.fixed.size, codec.tail_width
    fits = f"length >= {size} && (length - {size}) % {width} == 0" if width else f"length == {size}"
    return f"inline bool fits(const {codec.message.__name__} &, uint16_t length) {{ return {fits}; }}"


def main(path: str) -> None:
    """Writes the file to ``path``."""
    Path(path).write_text(declarations_text(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1])
