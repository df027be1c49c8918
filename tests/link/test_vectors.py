"""The golden frames, read by the Python side: see tests/firmware/native/test_vectors.py for the C++ side."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from whirlbench.link import messages
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import CODECS, FROM_DEVICE, FROM_HOST, PROTOCOL_VERSION, Message, decode, encode

FOLDER = Path(__file__).resolve().parents[1] / "vectors"
FRAMES = json.loads((FOLDER / "frames.json").read_text(encoding="utf-8"))
STREAMS = json.loads((FOLDER / "streams.json").read_text(encoding="utf-8"))


def message_of(vector: dict[str, Any]) -> Message:
    """The message that a vector's fields describe."""
    kind: type[Message] = getattr(messages, vector["message"])
    codec = CODECS[kind.TYPE]
    fields = dict(vector["fields"])
    for name, code in codec.codes.items():
        if code.endswith("s"):
            fields[name] = bytes.fromhex(fields[name])
    if codec.tail_width:
        tail = kind.__struct_fields__[-1]
        values = fields[tail]
        fields[tail] = (
            b"".join(value.to_bytes(2, "little", signed=True) for value in values)
            if codec.tail_is_raw
            else tuple(values)
        )
    return kind(**fields)


def names(vectors: list[dict[str, Any]]) -> list[str]:
    """Test names."""
    return [vector["name"] for vector in vectors]


@pytest.mark.parametrize("vector", FRAMES["frames"], ids=names(FRAMES["frames"]))
def test_a_golden_frame_is_written_and_read_as_it_was_frozen(vector: dict[str, Any]) -> None:
    message = message_of(vector)
    assert encode(message, vector["sequence"]).hex() == vector["payload"]
    assert frame(message, vector["sequence"]).hex() == vector["frame"]
    assert decode(bytes.fromhex(vector["payload"])) == message
    assert Unframer().feed_numbered(bytes.fromhex(vector["frame"])) == [(vector["sequence"], message)]


@pytest.mark.parametrize("stream", STREAMS["streams"], ids=names(STREAMS["streams"]))
@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_a_damaged_stream_gives_what_is_whole(stream: dict[str, Any], chunk: int) -> None:
    data = bytes.fromhex(stream["bytes"])
    unframer = Unframer()
    found = [
        numbered for at in range(0, len(data), chunk) for numbered in unframer.feed_numbered(data[at : at + chunk])
    ]
    assert [encode(message, sequence).hex() for sequence, message in found] == stream["payloads"]


def test_every_message_has_vectors_and_they_belong_to_this_version() -> None:
    covered = {vector["message"] for vector in FRAMES["frames"]}
    assert covered == {message.__name__ for message in FROM_DEVICE + FROM_HOST}
    assert FRAMES["protocol"] == STREAMS["protocol"] == PROTOCOL_VERSION
