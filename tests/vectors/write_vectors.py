"""Writes the golden frames: run once for each protocol version, then frozen.

``python tests/vectors/write_vectors.py`` refuses to change a file that exists: a difference is a change of protocol,
which needs a new version number and a new folder of vectors, not a new file under the old name. Frames are put together
here with ``struct``, ``zlib`` and ``cobs`` alone, from the field lists, so that they check the package from outside.
"""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path
from typing import Any

from cobs import cobs

from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.limit_table import LimitId, start_values
from whirlbench.link.messages import CODECS, FROM_DEVICE, FROM_HOST, PROTOCOL_VERSION, Message

HERE = Path(__file__).resolve().parent
TYPICAL: dict[str, dict[str, Any]] = {
    "Hello": {
        "protocol": 2, "board": 1, "firmware_major": 0, "firmware_minor": 1, "restart_cause": 1, "channels": 12,
        "build_id": 0xC0FFEE01, "time_us": 5120, "limits_crc": 0, "slow_rate_hz": 500, "vibration_rate_hz": 1600,
        "vibration_axes": 3, "state": 0, "reason": 0, "accelerometer": 1, "accelerometer_ug_per_count": 3906,
        "load_converter": 1, "load_counts_per_mv_v": 2_147_484,
    },
    "Slow": {
        "time_us": 123_456_789, "period_ticks": 15_000, "current_counts": 412, "voltage_counts": 803,
        "servo_counts": 511, "load_counts": -123_456, "throttle_us": 1532, "servo_us": 1610, "request_rpm": 8000,
        "state": 2, "reason": 0, "supply_mv": 5020, "load_age_ms": 7, "flags": 1,
    },
    "Tach": {
        "first_index": 4096, "half_us": 0b1010_0000_0000_0001, "edges_us": [1_000_000 + 7500 * i for i in range(16)],
    },
    "Vibration": {
        "time_us": 2_000_000, "period_ns": 625_000, "first_index": 3200, "axes": 3,
        "counts": [value for i in range(16) for value in (i, -i, 256 + i)],
    },
    "DeviceEvent": {"time_us": 7_654_321, "kind": 2, "state": 3, "reason": 1, "detail": 11_000},
    "Ack": {"command": 0x84, "command_sequence": 17, "result": 4, "detail": 0x12345678},
    "Counters": {
        "time_us": 60_000_000, "telemetry_dropped": 3, "bad_frames": 1, "receive_overruns": 0,
        "accelerometer_overruns": 0, "tach_overruns": 0, "tach_missed": 2, "tach_extra": 5, "load_cell_readings": 80,
        "longest_loop_us": 1750,
        "free_ram_bytes": 518,
    },
    "Identify": {"protocol": 2},
    "Heartbeat": {"count": 513},
    "SetLimit": {"limit": 0, "value": 12_000},
    "Arm": {"limits_crc": 0xEA74F41C},
    "Throttle": {"pulse_us": 1500},
    "Pitch": {"pulse_us": 1610},
    "Request": {"speed_rpm": 8000},
    "SetGovernor": {"parameter": 1, "value": -3277},
    "Abort": {"reason": 4},
}  # fmt: skip
TAILS = {"Tach": 16, "Vibration": 48, "Limits": len(LimitId)}
LEAST_TAILS = {"Tach": 1, "Vibration": 3}
AXES = 3  # the one value that a Vibration may have there


def main() -> None:
    """Writes the files that are not there yet."""
    _write("frames.json", "frames", [frame for message in FROM_DEVICE + FROM_HOST for frame in _of(message)])
    _write("streams.json", "streams", _streams())


def _write(name: str, subject: str, entries: list[dict[str, Any]]) -> None:
    path = HERE / name
    lines = ",\n".join(json.dumps(entry) for entry in entries)
    text = f'{{"protocol": {PROTOCOL_VERSION}, "{subject}": [\n{lines}\n]}}\n'
    if path.exists() and path.read_text(encoding="utf-8") != text:
        raise SystemExit(f"{path} differs: raise PROTOCOL_VERSION and begin new vectors, or undo the change")
    path.write_text(text, encoding="utf-8")


def _of(message: type[Message]) -> list[dict[str, Any]]:
    """All vectors of one message: every field zero, lowest, highest, and typical values."""
    name, codes = message.__name__, CODECS[message.TYPE].codes
    cases = [("zero", 0, {n: _extreme(c, 0) for n, c in codes.items()}, LEAST_TAILS.get(name, 0))]
    if codes:
        cases.append(("highest", 255, {n: _extreme(c, 1) for n, c in codes.items()}, TAILS.get(name, 0)))
        cases.append(("lowest", 128, {n: _extreme(c, -1) for n, c in codes.items()}, TAILS.get(name, 0)))
    if name == "Vibration":
        cases = [(case, sequence, {**fields, "axes": AXES}, count) for case, sequence, fields, count in cases]
    vectors = [
        _vector(message, case, sequence, {**fields, **_tail(message, case, count)})
        for case, sequence, fields, count in cases
    ]
    typical = _typical(name)
    return [*vectors, *(_vector(message, f"typical {i}", 17 + i, fields) for i, fields in enumerate(typical))]


def _typical(name: str) -> list[dict[str, Any]]:
    if name == "ChannelInfo":
        return [
            {
                n: (v.hex() if isinstance(v, bytes) else v)
                for n, v in zip(row.__struct_fields__, _values(row), strict=True)
            }
            for row in CHANNEL_TABLE
        ]
    if name == "Limits":
        values = start_values()
        return [{"crc": zlib.crc32(struct.pack(f"<{len(values)}I", *values)), "values": list(values)}]
    return [TYPICAL[name]] if name in TYPICAL else []


def _values(row: Message) -> list[Any]:
    return [getattr(row, name) for name in row.__struct_fields__]


def _extreme(code: str, end: int) -> Any:
    if code.endswith("s"):
        return (b"\xff" * int(code[:-1]) if end else bytes(int(code[:-1]))).hex()
    bits = 8 * struct.calcsize("<" + code)
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if code.islower() else (0, (1 << bits) - 1)
    return {0: 0, 1: high, -1: low}[end]


def _tail(message: type[Message], case: str, count: int) -> dict[str, Any]:
    if not message.TAIL:
        return {}
    end = {"zero": 0, "highest": 1, "lowest": -1}[case]
    return {message.__struct_fields__[-1]: [_extreme(message.TAIL, end)] * count}


def _vector(message: type[Message], case: str, sequence: int, fields: dict[str, Any]) -> dict[str, Any]:
    payload = bytes([message.TYPE, sequence])
    for name, code in CODECS[message.TYPE].codes.items():
        payload += bytes.fromhex(fields[name]) if code.endswith("s") else struct.pack("<" + code, fields[name])
    if message.TAIL:
        tail = fields[message.__struct_fields__[-1]]
        payload += struct.pack(f"<{len(tail)}{message.TAIL}", *tail)
    wire = _frame(payload)
    return {
        "name": f"{message.__name__}, {case}", "message": message.__name__, "sequence": sequence, "fields": fields,
        "payload": payload.hex(), "frame": wire.hex(),
    }  # fmt: skip


def _frame(payload: bytes) -> bytes:
    return cobs.encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\0"


def _streams() -> list[dict[str, Any]]:
    """Bytes as they may come to a device, and the payloads that it must find in them."""
    throttle, abort = bytes.fromhex("8607dc05"), bytes.fromhex("8a0804")
    good, second = _frame(throttle), _frame(abort)
    flipped = bytearray(good)
    flipped[3] ^= 0x10
    overlong = _frame(bytes([0x86, 1]) + bytes(range(1, 60)))
    beyond, short = bytes.fromhex("0986070000"), bytes.fromhex("0601020304050002010100")
    both, last = [throttle, abort], [abort]
    rows = [
        ("two frames", good + second, both, 0),
        ("zeros between frames", b"\0\0" + good + b"\0\0\0" + second + b"\0", both, 0),
        ("joined within a frame", good[4:] + second, last, 1),
        ("a bit flipped", bytes(flipped) + second, last, 1),
        ("a byte missing", good[:2] + good[3:] + second, last, 1),
        ("delimiter missing", good[:-1] + second + good, [throttle], 1),
        ("a code reaches beyond the frame", beyond + second, last, 1),
        ("too short for type, sequence, CRC", short + second, last, 2),
        ("longer than any command", overlong + second, last, 1),
        ("noise", bytes.fromhex("a55a17ff00c3fe00") + good + second, both, 2),
    ]
    return [
        {"name": name, "bytes": data.hex(), "payloads": [payload.hex() for payload in payloads], "bad": bad}
        for name, data, payloads, bad in rows
    ]


if __name__ == "__main__":
    main()
