"""Writes the sketch's ``wire_messages.h`` from the message classes, so that both ends cannot drift apart.

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
    Board,
    Codec,
    EventKind,
    Flag,
    GovernorId,
    GovernorMode,
    Message,
    Reason,
    Restart,
    Result,
    State,
)
from whirlbench.units import MIDDLE_NEUTRAL_CAP_US, SAFE_PULSE_CAP_US

COMMAND = "python -m whirlbench.link.codegen.cpp_declarations firmware_sketch/wire_messages.h"
ENUMS: tuple[type[IntEnum], ...] = (
    State, Reason, Flag, Board, Restart, LimitId, GovernorId, GovernorMode, EventKind, Result,
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

#if defined(__AVR__)
#include <avr/pgmspace.h>
#else
#define PROGMEM
#endif

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
inline int16_t get_i16(const uint8_t *at) {{ return static_cast<int16_t>(get_u16(at)); }}
inline int32_t get_i32(const uint8_t *at) {{ return static_cast<int32_t>(get_u32(at)); }}
"""


def declarations_text() -> str:
    """The whole C++ file: constants, enums, one struct with pack and unpack for each message, both tables."""
    parts = [PREAMBLE, _constants(), *map(_enum, ENUMS), _limit_ranges(), _channel_rows()]
    parts += [_struct(CODECS[message.TYPE]) for message in FROM_DEVICE + FROM_HOST]
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
    return "\n".join([*lines, f"const uint16_t ADC_FULL = {ADC_FULL};", "", *_safe_pulse_cap(), ""])


def _safe_pulse_cap() -> list[str]:
    return [
        "// Greatest pulse that may count as safe. -DMIDDLE_NEUTRAL is for speed controllers whose neutral lies in the",
        "// middle of their range; with any other, such a pulse drives the motor.",
        "#if defined(MIDDLE_NEUTRAL)",
        f"const uint16_t SAFE_PULSE_CAP_US = {MIDDLE_NEUTRAL_CAP_US};",
        "#else",
        f"const uint16_t SAFE_PULSE_CAP_US = {SAFE_PULSE_CAP_US};",
        "#endif",
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
            "static const LimitRange LIMIT_RANGES[LIMIT_SLOTS] PROGMEM = {",
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
            "static const ChannelRow CHANNEL_ROWS[CHANNELS] PROGMEM = {",
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


def _struct(codec: Codec) -> str:
    name = codec.message.__name__
    summary = (codec.message.__doc__ or "").strip().splitlines()[0].split("``")
    fields = [_Field(field, code, offset) for field, code, offset, _ in fields_of(codec.message)]
    tail = (
        [f"  // tail of {FIELD_TYPES[codec.message.TAIL][0]} entries at {codec.fixed.size}"] if codec.tail_width else []
    )
    fits = f"length >= SIZE && (length - SIZE) % {codec.tail_width} == 0" if codec.tail_width else "length == SIZE"
    argument = " message" if fields else ""
    return "\n".join(
        [
            f"// {''.join(summary)}",
            f"struct {name} {{",
            f"  enum : uint8_t {{ TYPE = {codec.message.TYPE:#04x}, SIZE = {codec.fixed.size} }};",
            "  static bool fits(uint16_t length) { return " + fits + "; }",
            *[field.declaration() for field in fields],
            *tail,
            "};",
            f"inline uint8_t pack(const {name} &{argument.strip()}, uint8_t *at) {{",
            f"  at[0] = {name}::TYPE;\n  at[1] = 0;  // sequence number, stamped when the frame is sent",
            *[field.pack() for field in fields],
            f"  return {name}::SIZE;\n}}",
            f"inline void unpack(const uint8_t *{'at' if fields else ''}, {name} &{argument.strip()}) {{",
            *[field.unpack() for field in fields],
            "}",
            "",
        ]
    )


def main(path: str) -> None:
    """Writes the file to ``path``."""
    Path(path).write_text(declarations_text(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1])
