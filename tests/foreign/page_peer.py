"""A host written from firmware_sketch/PROTOCOL.md alone: nothing of `whirlbench.link` is used here.

The layout of messages, the numbers of states, results and limits are read from the page's own tables; COBS and CRC-32
follow the page's words. Where this fails, a stranger with the page would fail, too.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PAGE = (Path(__file__).resolve().parents[2] / "firmware_sketch" / "PROTOCOL.md").read_text(encoding="utf-8")
SIZES = {"u8": 1, "u16": 2, "u32": 4, "i16": 2, "i32": 4}


def crc_32(data: bytes) -> int:
    """Section 2: polynomial 0x04C11DB7 reflected in and out, initial value and final inversion 0xFFFFFFFF."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xEDB88320 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def cobs(body: bytes) -> bytes:
    """Section 2, for bodies shorter than 254 bytes."""
    assert len(body) < 254
    return b"".join(bytes([len(piece) + 1]) + piece for piece in body.split(b"\0"))


def undo_cobs(stretch: bytes) -> bytes | None:
    """The body, None when a code reaches beyond the stretch."""
    body, place = bytearray(), 0
    while place < len(stretch):
        code = stretch[place]
        piece = stretch[place + 1 : place + code]
        if len(piece) != code - 1:
            return None
        body += piece
        place += code
        if code != 0xFF and place < len(stretch):
            body.append(0)
    return bytes(body)


@dataclass(frozen=True)
class Layout:
    """One message of section 10: rows of (offset, type, field)."""

    name: str
    number: int
    bytes_without_tail: int
    rows: tuple[tuple[int, str, str], ...]


def layouts() -> dict[str, Layout]:
    """All messages of section 10 by name."""
    found = {}
    for part in PAGE.split("\n#### ")[1:]:
        head = re.match(r"(\w+): type (0x[0-9a-f]{2}), payload of (\d+)", part)
        assert head is not None, part[:60]
        table = part.split("\n### ")[0]
        rows = re.findall(r"^\| (\d+) \| ([^|]+) \| (\w+) \|", table, re.MULTILINE)
        name, number, size = head.group(1), int(head.group(2), 16), int(head.group(3))
        found[name] = Layout(name, number, size, tuple((int(row[0]), row[1].strip(), row[2]) for row in rows))
    return found


def numbers(title: str) -> dict[str, int]:
    """A table of section 10 that numbers names: "State", "Result"."""
    table = PAGE.split(f"\n**{title}**\n")[1].split("\n**")[0]
    return {name: int(number) for number, name in re.findall(r"^\| (\d+) \| (\w+) \|", table, re.MULTILINE)}


def limit_slots() -> dict[str, tuple[int, int]]:
    """Section 7: slot and value at start by name."""
    table = PAGE.split("<!-- tables: limits -->")[1].split("<!-- end")[0]
    rows = re.findall(r"^\| (\d+) \| (\w+) \| (\d+) \|", table, re.MULTILINE)
    return {name: (int(slot), int(start)) for slot, name, start in rows}


LAYOUTS = layouts()
BY_NUMBER = {layout.number: layout for layout in LAYOUTS.values()}


def write(name: str, sequence: int, fields: dict[str, Any]) -> bytes:
    """Payload of a message."""
    layout = LAYOUTS[name]
    payload = bytearray([layout.number, sequence])
    for offset, kind, field in layout.rows:
        assert len(payload) == offset, f"{name}.{field} stands at {len(payload)}, the page says {offset}"
        payload += _written(kind, fields[field])
    return bytes(payload)


def _written(kind: str, value: Any) -> bytes:
    if kind.startswith("text "):
        return bytes(value).ljust(int(kind.split()[1]), b"\0")
    if kind.endswith("× n"):
        return b"".join(_written(kind.split()[0], item) for item in value)
    return int(value).to_bytes(SIZES[kind], "little", signed=kind.startswith("i"))


def read(payload: bytes) -> tuple[str, int, dict[str, Any]] | None:
    """Name, sequence and fields of a payload; None when the page knows no such type or length."""
    layout = BY_NUMBER.get(payload[0])
    if layout is None or len(payload) < layout.bytes_without_tail:
        return None
    fields: dict[str, Any] = {}
    end = 2
    for offset, kind, field in layout.rows:
        size = int(kind.split()[1]) if kind.startswith("text ") else SIZES[kind.split()[0]]
        end = len(payload) if kind.endswith("× n") else offset + size
        fields[field] = _read(kind, payload[offset:end], size)
    return (layout.name, payload[1], fields) if end == len(payload) else None


def _read(kind: str, data: bytes, size: int) -> Any:
    if kind.startswith("text "):
        return data
    items = [data[at : at + size] for at in range(0, len(data), size)]
    values = [int.from_bytes(item, "little", signed=kind.startswith("i")) for item in items]
    return values if kind.endswith("× n") else values[0]


def frame(payload: bytes) -> bytes:
    """What goes on the wire."""
    return cobs(payload + crc_32(payload).to_bytes(4, "little")) + b"\0"


class Receiver:
    """Section 2, "Receiving": intact payloads out of any bytes, and a count of the stretches that were not."""

    def __init__(self, longest_body: int = 253) -> None:
        self.longest_body, self.bad, self._rest = longest_body, 0, b""

    def feed(self, data: bytes) -> list[bytes]:
        """Payloads completed by ``data``."""
        *stretches, self._rest = (self._rest + data).split(b"\0")
        payloads = [self._payload(stretch) for stretch in stretches if stretch]
        self.bad += payloads.count(None)
        return [payload for payload in payloads if payload is not None]

    def _payload(self, stretch: bytes) -> bytes | None:
        body = undo_cobs(stretch)
        if body is None or not 6 <= len(body) <= self.longest_body:
            return None
        payload, check = body[:-4], int.from_bytes(body[-4:], "little")
        return payload if crc_32(payload) == check else None


class Host:
    """Speaks to a device through ``exchange(now_s, data) -> bytes`` and keeps what it says."""

    def __init__(self, exchange) -> None:
        self._exchange, self._receiver = exchange, Receiver()
        self._sequence, self.now_s, self.heard = 0, 0.0, []

    @property
    def bad(self) -> int:
        """Damaged stretches so far."""
        return self._receiver.bad

    def pass_time(self, duration_s: float, heartbeat: bool = False, turn_s: float = 0.01) -> None:
        """Listens, and beats three times in a heartbeat limit of 100 ms if told so."""
        for turn in range(round(duration_s / turn_s)):
            beat = self._frame("Heartbeat", {"count": 0}) if heartbeat and turn % 3 == 0 else b""
            self._give(beat, turn_s)

    def ask(self, name: str, **fields: int) -> dict[str, Any]:
        """Sends a command and returns the fields of its Ack."""
        sequence = self._sequence
        self._give(self._frame(name, fields), 0.01)
        for _ in range(200):
            for kind, _, answer in self.heard:
                if kind == "Ack" and answer["command_sequence"] == sequence:
                    assert answer["command"] == LAYOUTS[name].number
                    return answer
            self._give(self._frame("Heartbeat", {"count": 0}), 0.01)
        raise AssertionError(f"{name} was never answered")

    def latest(self, name: str) -> dict[str, Any]:
        """Fields of the last message of that name."""
        return next(fields for kind, _, fields in reversed(self.heard) if kind == name)

    def _frame(self, name: str, fields: dict[str, int]) -> bytes:
        payload = write(name, self._sequence, fields)
        self._sequence = (self._sequence + 1) % 256
        return frame(payload)

    def _give(self, data: bytes, turn_s: float) -> None:
        self.now_s += turn_s
        for payload in self._receiver.feed(self._exchange(self.now_s, data)):
            message = read(payload)
            assert message is not None, f"the page does not explain {payload.hex()}"
            self.heard.append(message)
