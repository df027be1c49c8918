"""Writes the tables of PROTOCOL.md from the message classes, between its ``<!-- tables: NAME -->`` marks.

After a change of messages, limits or channels run
``python -m whirlbench.link.codegen.protocol_tables firmware_sketch/PROTOCOL.md``.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from enum import IntEnum
from pathlib import Path

from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.codegen.cpp_declarations import FIELD_TYPES, fields_of
from whirlbench.link.codegen.protocol_notes import FIELD_NOTES, MEMBER_NOTES
from whirlbench.link.framing import frame
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    CODECS,
    FROM_DEVICE,
    FROM_HOST,
    Ack,
    Arm,
    Board,
    EventKind,
    Flag,
    GovernorId,
    GovernorMode,
    Heartbeat,
    Identify,
    Message,
    Reason,
    Restart,
    Result,
    SetLimit,
    Slow,
    State,
    Throttle,
    encode,
)

COMMAND = "python -m whirlbench.link.codegen.protocol_tables firmware_sketch/PROTOCOL.md"
ENUMS: tuple[type[IntEnum], ...] = (State, Reason, Flag, Result, EventKind, Board, Restart, GovernorMode)
EXAMPLES: tuple[tuple[Message, int], ...] = (
    (Identify(2), 0),
    (Heartbeat(1), 1),
    (SetLimit(int(LimitId.OVERSPEED_TICKS), 12_000), 2),
    (Arm(0xEA74F41C), 17),
    (Throttle(1500), 18),
    (Ack(Throttle.TYPE, 18, int(Result.DONE), 0), 200),
    (
        Slow(
            123_456_789,
            15_000,
            412,
            803,
            511,
            -123_456,
            1532,
            1610,
            8000,
            int(State.TURNING),
            int(Reason.NONE),
            5020,
            7,
            int(Flag.SECOND_CUT_CLOSED),
        ),
        17,
    ),
)


def tables() -> dict[str, str]:
    """Text of every generated part, by the name in its mark."""
    return {
        "from-device": "\n".join(map(_message, FROM_DEVICE)),
        "from-host": "\n".join(map(_message, FROM_HOST)),
        "limits": _limits(),
        "governor": _rows(
            ("number", "name", "meaning"), ((p.value, p.name, MEMBER_NOTES[GovernorId][p.name]) for p in GovernorId)
        ),
        "numbers": "\n".join(map(_enum, ENUMS)),
        "channels": _channels(),
        "examples": _examples(),
    }


def updated(document: str) -> str:
    """``document`` with every generated part as it has to be; a mark that is missing raises ValueError."""
    for name, text in tables().items():
        pattern = re.compile(rf"(<!-- tables: {name} -->\n).*?(<!-- end of tables -->)", re.DOTALL)
        document, count = pattern.subn(lambda found, text=text: found[1] + text + found[2], document)  # type: ignore[misc]
        if count != 1:
            raise ValueError(f"{count} marks <!-- tables: {name} --> in the document, expected 1")
    return document


def _rows(heads: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    heads = list(heads)
    lines = [heads, ["---"] * len(heads), *rows]
    return "".join("| " + " | ".join(map(str, line)) + " |\n" for line in lines)


def _message(message: type[Message]) -> str:
    codec = CODECS[message.TYPE]
    notes = FIELD_NOTES.get(message.__name__, {})
    rows = [(offset, _type_name(code), name, notes[name]) for name, code, offset, _ in fields_of(message)]
    if codec.tail_width:
        name = message.__struct_fields__[-1]
        rows.append((codec.fixed.size, f"{_type_name(message.TAIL)} × n", name, notes[name]))
    summary = " ".join((message.__doc__ or "").replace("``", "`").split())
    size = f"{codec.fixed.size} + {codec.tail_width} n" if codec.tail_width else f"{codec.fixed.size}"
    table = "\n" + _rows(("offset", "type", "field", "meaning"), rows) if rows else ""
    return f"#### {message.__name__}: type 0x{message.TYPE:02x}, payload of {size} bytes\n\n{summary}\n{table}"


def _type_name(code: str) -> str:
    if code.endswith("s"):
        return f"text {code[:-1]}"
    return FIELD_TYPES[code][0].removesuffix("_t").replace("uint", "u").replace("int", "i")


def _enum(members: type[IntEnum]) -> str:
    notes = MEMBER_NOTES.get(members, {})
    rows = ((member.value, member.name, notes.get(member.name, "")) for member in members)
    return f"**{members.__name__}**\n\n" + _rows(("number", "name", "meaning"), rows)


def _limits() -> str:
    return _rows(
        ("slot", "name", "at start", "admitted", "meaning"),
        ((slot.value, slot.name, slot.start, _admitted(slot), slot.meaning) for slot in LimitId),
    )


def _admitted(slot: LimitId) -> str:
    if not slot.has_rule:
        return "0 only: no such rule yet"
    return f"{slot.lowest} to {slot.highest}{', or 0: off' if slot.zero else ''}"


def _channels() -> str:
    text = ((r.index, f"0x{r.stream:02x}", r.bits, _text(r.name), _text(r.unit)) for r in CHANNEL_TABLE)
    return _rows(("index", "stream", "bits", "name", "unit"), text)


def _text(padded: bytes) -> str:
    return padded.rstrip(b"\0").decode("ascii")


def _examples() -> str:
    rows = (
        (f"`{message}`, sequence {sequence}", f"`{encode(message, sequence).hex(' ')}`", f"`{_hex(message, sequence)}`")
        for message, sequence in EXAMPLES
    )
    return _rows(("message", "payload", "on the wire"), rows)


def _hex(message: Message, sequence: int) -> str:
    return frame(message, sequence).hex(" ")


def main(path: str) -> None:
    """Brings the document at ``path`` up to date."""
    document = Path(path)
    document.write_text(updated(document.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1])
