"""The sketch's portable core as Python objects, each around the C++ object of the same job.

``fields`` goes through code that is generated from the message classes, so that the C++ structs are addressed by the
names Python knows.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import build
from cffi import FFI

from whirlbench.link.codegen.cpp_declarations import fields_of, other_direction_text
from whirlbench.link.messages import FROM_DEVICE, FROM_HOST, Message

ROOM = 1 << 16
SHIM = build.SHIM / "shim.cpp"


def fields_source() -> str:
    """C++ that unpacks any message's fixed fields into integers and packs them again, by field name."""
    cases = "\n".join(_case(message) for message in FROM_DEVICE + FROM_HOST)
    return (
        f"{other_direction_text()}\nusing namespace wire;\n"
        'extern "C" int core_fields(const uint8_t *payload, uint16_t length, int64_t *out, uint8_t *again) {\n'
        f"  switch (payload[0]) {{\n{cases}\n    default: return -1;\n  }}\n}}\n"
    )


def _case(message: type[Message]) -> str:
    name = message.__name__
    lines = [f"    case {name}::TYPE: {{", f"      {name} m;", "      if (!fits(m, length)) return -2;"]
    lines += ["      unpack(payload, m);"]
    place = 0
    for field, _, _, width in fields_of(message):
        if field in {"name", "unit"}:
            lines += [f"      for (int i = 0; i < {width}; ++i) out[{place} + i] = (uint8_t)m.{field}[i];"]
            place += width
        else:
            lines += [f"      out[{place}] = m.{field};"]
            place += 1
    return "\n".join([*lines, f"      return {place} + 0 * pack(m, again);", "    }"])


def _declarations() -> str:
    """The shim's C functions as cffi reads them."""
    body = SHIM.read_text().split('extern "C" {', 1)[1]
    found = re.findall(r"^((?:void \*|[a-z0-9_]+ )[a-z0-9_]+\([^{]*\)) \{", body, flags=re.MULTILINE)
    assert len(found) > 50
    found.append("int core_fields(const uint8_t *payload, uint16_t length, int64_t *out, uint8_t *again)")
    return "".join(" ".join(head.split()) + ";\n" for head in found)


@cache
def library() -> tuple[FFI, Any]:
    """The loaded library; compiled when needed."""
    ffi = FFI()
    ffi.cdef(_declarations())
    return ffi, ffi.dlopen(str(build.native({"fields.cpp": fields_source()})))


def fields(payload: bytes) -> tuple[list[int], bytes]:
    """Fixed fields of a payload as C++ reads them (text as single bytes), and the fields packed again.

    ValueError when C++ does not know the type or the length.
    """
    ffi, lib = library()
    out, again = ffi.new("int64_t[64]"), ffi.new("uint8_t[256]")
    count = lib.core_fields(payload, len(payload), out, again)
    if count < 0:
        raise ValueError(f"C++ refuses {payload.hex()}: {count}")
    return list(out)[:count], bytes(ffi.buffer(again))


def crc32(data: bytes) -> int:
    """CRC-32 as the sketch computes it."""
    return int(library()[1].core_crc32(data, len(data)))


def state_after(state: int, event: int) -> int:
    """State after an event by the sketch's table; 255 when it is refused."""
    return int(library()[1].core_state_after(state, event))


def encode(data: bytes) -> bytes:
    """COBS as the sketch writes it, delimiter included."""
    ffi, lib = library()
    out = ffi.new(f"uint8_t[{len(data) + len(data) // 254 + 2}]")
    return bytes(ffi.buffer(out, lib.core_encode(data, len(data), out)))


class Handle:
    """A C++ object, made by ``NAME_new`` and freed by ``NAME_free``; methods are the functions with that prefix."""

    NAME = ""

    def __init__(self, *arguments: int) -> None:
        self._ffi, self._lib = library()
        self._pointer = getattr(self._lib, f"{self.NAME}_new")(*arguments)

    def __del__(self) -> None:
        getattr(self._lib, f"{self.NAME}_free")(self._pointer)

    @property
    def pointer(self) -> Any:
        """For functions that take another object, too."""
        return self._pointer

    def call(self, name: str, *arguments: Any) -> Any:
        """Calls ``NAME_name`` on the object."""
        return getattr(self._lib, f"{self.NAME}_{name}")(self._pointer, *arguments)


class Receiver(Handle):
    """The sketch's receiving side."""

    NAME = "receiver"

    def feed(self, data: bytes) -> list[bytes]:
        """Payloads of the intact frames that ``data`` completed."""
        out = self._ffi.new(f"uint8_t[{len(data) + 64}]")
        found = bytes(self._ffi.buffer(out, self.call("feed", data, len(data), out)))
        return list(_split(found))

    @property
    def bad_frames(self) -> int:
        """Damaged frames so far."""
        return int(self.call("bad_frames"))


def _split(found: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(found):
        yield found[at + 1 : at + 1 + found[at]]
        at += 1 + found[at]


class Overspeed(Handle):
    """``trips::OverspeedRule``."""

    NAME = "overspeed"


class Vibration(Handle):
    """``trips::VibrationRule``."""

    NAME = "vibration"

    def feed(self, index: int, counts: Any) -> bool:
        """One sample of three axes."""
        return bool(self.call("feed", index, [int(value) for value in counts]))


class Heartbeat(Handle):
    """``trips::HeartbeatRule``."""

    NAME = "heartbeat"


class GovernorLaw(Handle):
    """``governor::Law``."""

    NAME = "governor"


class LimitTable(Handle):
    """``limits::Table``."""

    NAME = "limits"


class SampleClock(Handle):
    """``sample_clock::SampleClock``."""

    NAME = "sample_clock"


class TachMarks(Handle):
    """``tach::Marks``."""

    NAME = "marks"


class TachRule(Handle):
    """``trips::TachRule``."""

    NAME = "tach_rule"


class Frozen(Handle):
    """``trips::FrozenRule``."""

    NAME = "frozen"

    def feed(self, counts: Any) -> bool:
        """One sample of three axes."""
        return bool(self.call("feed", [int(value) for value in counts]))


class SlowRules(Handle):
    """``trips::SlowRules``, under the limits of a table."""

    NAME = "slow_rules"

    def feed(self, table: LimitTable, readings: Sequence[int], throttle_us: int, servo_us: int) -> int:
        """One turn of 2 ms: the reason that trips, or 0."""
        return int(self.call("feed", table.pointer, *readings, throttle_us, servo_us))


class LostTach(Handle):
    """``trips::LostTachRule``, under the limits of a table."""

    NAME = "lost_tach"

    def feed(self, table: LimitTable, throttle_us: int, silence_ms: int) -> bool:
        """One turn of 2 ms."""
        return bool(self.call("feed", table.pointer, throttle_us, silence_ms))


class CutProof(Handle):
    """``trips::CutProof``, under the limits of a table."""

    NAME = "cut_proof"

    def feed(self, table: LimitTable, period_ticks: int, current_counts: int) -> bool:
        """One turn of 2 ms."""
        return bool(self.call("feed", table.pointer, period_ticks, current_counts))


class Machine(Handle):
    """``machine::Machine`` on a board of memory."""

    NAME = "machine"

    def receive(self, payload: bytes, now_us: int) -> None:
        """Payload of an intact frame from the host."""
        self.call("receive", payload, len(payload), now_us)

    def sample(self, index: int, counts: Any, now_us: int) -> None:
        """One accelerometer sample."""
        self.call("sample", index, [int(value) for value in counts], now_us)

    def corrupt(self, values: Sequence[int], slot: int, bit: int) -> None:
        """Turns a bit of the limit table, whose ``values`` are in force; AssertionError when they are not found."""
        assert self.call("corrupt", list(values), len(values), slot, bit)

    def take(self) -> bytes:
        """Bytes sent since the last call."""
        out = self._ffi.new(f"uint8_t[{ROOM}]")
        return bytes(self._ffi.buffer(out, self.call("take", out, ROOM)))
