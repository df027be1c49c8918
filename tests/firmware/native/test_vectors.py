"""The golden frames, read by the sketch's C++: see tests/link/test_vectors.py for the Python side."""

from __future__ import annotations

import json
from typing import Any

import build
import native_core
import pytest

FOLDER = build.HERE.parent / "vectors"
FRAMES = json.loads((FOLDER / "frames.json").read_text(encoding="utf-8"))["frames"]
STREAMS = json.loads((FOLDER / "streams.json").read_text(encoding="utf-8"))["streams"]
HEAD = 2  # type and sequence


def numbers_of(fields: dict[str, Any]) -> list[int]:
    """Fixed fields as the C++ side lists them: text byte by byte, the tail left out."""
    flat: list[int] = []
    for value in fields.values():
        if isinstance(value, str):
            flat += bytes.fromhex(value)
        elif isinstance(value, int):
            flat.append(value)
    return flat


@pytest.mark.parametrize("vector", FRAMES, ids=[vector["name"] for vector in FRAMES])
def test_the_sketch_reads_and_writes_the_golden_payload(vector: dict[str, Any]) -> None:
    payload = bytes.fromhex(vector["payload"])
    found, again = native_core.fields(payload)
    assert found == numbers_of(vector["fields"])
    tails = [value for value in vector["fields"].values() if isinstance(value, list)]
    width = 2 if vector["message"] == "Vibration" else 4
    fixed = len(payload) - sum(len(tail) * width for tail in tails)
    assert again[0] == payload[0]
    assert again[HEAD:fixed] == payload[HEAD:fixed]


@pytest.mark.parametrize("vector", FRAMES, ids=[vector["name"] for vector in FRAMES])
def test_the_sketch_frames_the_golden_payload(vector: dict[str, Any]) -> None:
    payload = bytes.fromhex(vector["payload"])
    body = payload + native_core.crc32(payload).to_bytes(4, "little")
    assert native_core.encode(body).hex() == vector["frame"]


@pytest.mark.parametrize("vector", [v for v in FRAMES if len(v["payload"]) <= 56], ids=lambda v: v["name"])
def test_the_sketch_receives_the_golden_frame(vector: dict[str, Any]) -> None:
    found = native_core.Receiver().feed(bytes.fromhex(vector["frame"]))
    assert [payload.hex() for payload in found] == [vector["payload"]]


@pytest.mark.parametrize("stream", STREAMS, ids=[stream["name"] for stream in STREAMS])
def test_a_damaged_stream_gives_what_is_whole(stream: dict[str, Any]) -> None:
    receiver = native_core.Receiver()
    found = receiver.feed(bytes.fromhex(stream["bytes"]))
    assert [payload.hex() for payload in found] == stream["payloads"]
    assert receiver.bad_frames == stream["bad"]


def test_a_wrong_length_is_refused() -> None:
    for vector in FRAMES:
        payload = bytes.fromhex(vector["payload"])
        with pytest.raises(ValueError, match="refuses"):
            native_core.fields(payload + b"\1")
