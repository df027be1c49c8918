"""The sketch's framing against independent libraries: ``cobs`` and ``zlib``."""

from __future__ import annotations

import random
import struct
import zlib

import native_core
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.simulator.device.receiver import Receiver

LONGEST_BODY = 32  # framing::COMMAND_ROOM


def framed(payload: bytes) -> bytes:
    """A frame made by the independent libraries."""
    return cobs.encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\0"


@given(st.binary(max_size=1200))
@settings(max_examples=200)
def test_crc_and_cobs_agree_with_the_libraries(data: bytes) -> None:
    assert native_core.crc32(data) == zlib.crc32(data)
    assert native_core.encode(data) == cobs.encode(data) + b"\0"


@pytest.mark.parametrize("size", [0, 1, 253, 254, 255, 508, 509, 762])
@pytest.mark.parametrize("end", [b"", b"\0", b"\1"])
def test_runs_around_254_bytes(size: int, end: bytes) -> None:
    data = bytes([7]) * size + end
    assert native_core.encode(data) == cobs.encode(data) + b"\0"


payloads = st.binary(min_size=2, max_size=LONGEST_BODY - 4)


@given(st.lists(payloads, max_size=20), st.lists(st.integers(0, 40), max_size=10))
@settings(max_examples=200)
def test_what_the_libraries_frame_comes_out_whatever_the_chunks(frames: list[bytes], cuts: list[int]) -> None:
    data, receiver, found = b"".join(map(framed, frames)), native_core.Receiver(), []
    for cut in cuts:
        found += receiver.feed(data[:cut])
        data = data[cut:]
    found += receiver.feed(data)
    assert found == frames
    assert receiver.bad_frames == 0


@given(st.binary(max_size=400), payloads)
@settings(max_examples=300)
def test_noise_costs_at_most_the_frame_it_touches(noise: bytes, payload: bytes) -> None:
    receiver = native_core.Receiver()
    receiver.feed(noise)
    receiver.feed(framed(payload))  # may be swallowed together with the noise before it
    assert receiver.feed(framed(payload)) == [payload]


@given(payloads, st.data())
@settings(max_examples=300)
def test_a_changed_byte_is_never_believed(payload: bytes, data: st.DataObject) -> None:
    frame = bytearray(framed(payload))
    place = data.draw(st.integers(0, len(frame) - 2))
    frame[place] ^= data.draw(st.integers(1, 255))
    found = native_core.Receiver().feed(bytes(frame))
    assert found == []


def test_random_bytes_yield_nothing() -> None:
    noise = random.Random(20).randbytes(200_000)
    receiver = native_core.Receiver()
    assert receiver.feed(noise) == []
    assert receiver.bad_frames == pytest.approx(200_000 / 256, rel=0.2)  # one for each zero with something before it


def test_a_frame_longer_than_any_command_is_refused_without_harm() -> None:
    receiver = native_core.Receiver()
    assert receiver.feed(framed(bytes([1]) * (LONGEST_BODY - 3))) == []
    assert receiver.feed(framed(bytes([1]) * 200)) == []
    assert receiver.bad_frames == 2
    assert receiver.feed(framed(b"\x86\x00\x01\x02")) == [b"\x86\x00\x01\x02"]


def damaged(frame: bytes, place: int, value: int) -> bytes:
    """A frame with one byte changed, or with a byte too many, where there is such a place."""
    return frame[:place] + bytes([value]) + frame[place + value % 2 :]


STRETCHES = st.one_of(
    st.binary(max_size=80),
    st.binary(min_size=1, max_size=LONGEST_BODY).map(framed),  # too short and too long ones among them
    st.just(framed(b"\x86\x00" + bytes(26))),
    st.builds(damaged, payloads.map(framed), st.integers(0, 30), st.integers(0, 255)),
    st.integers(60, 600).map(lambda size: bytes([1]) * size),
)


@given(st.lists(STRETCHES, max_size=12), st.integers(1, 90))
@settings(max_examples=200)
def test_the_simulated_device_hears_the_same_frames(stretches: list[bytes], chunk: int) -> None:
    data = b"".join(stretches)
    ours, twin = native_core.Receiver(), Receiver()
    for at in range(0, len(data), chunk):
        assert ours.feed(data[at : at + chunk]) == twin.feed(data[at : at + chunk])
        assert ours.bad_frames == twin.bad_frames
    for receiver in (ours, twin):
        receiver.feed(b"\0")
        assert receiver.feed(framed(b"\x83\x07")) == [b"\x83\x07"]
