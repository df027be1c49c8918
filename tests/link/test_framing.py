"""Framing: every chunking gives the same messages and counters, and damage never yields a wrong message."""

import itertools
import random
import struct
import zlib

import pytest
from cobs.cobs import encode
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.link.framing import LONGEST_RUN, Unframer, frame
from whirlbench.link.messages import Heartbeat, Hello, Slow, Tach, Throttle, Vibration

bytes_u8 = st.integers(0, 0xFF)
u16 = st.integers(0, 0xFFFF)
u32 = st.integers(0, 0xFFFFFFFF)
i32 = st.integers(-(2**31), 2**31 - 1)
messages = st.one_of(
    st.builds(Slow, u32, u32, u16, u16, u16, i32, u16, u16, u16, bytes_u8, bytes_u8, u16, bytes_u8, bytes_u8),
    st.builds(Tach, u32, u16, st.lists(u32, min_size=1, max_size=16).map(tuple)),
    st.builds(
        Vibration,
        u32,
        u32,
        u32,
        st.just(3),
        st.binary(min_size=6, max_size=96).map(lambda raw: raw[: len(raw) // 6 * 6]),
    ),
    st.builds(Heartbeat, u16),
    st.builds(Throttle, u16),
)
streams = st.lists(messages, max_size=12)


def sent(stream, first_sequence=0):
    return b"".join(frame(message, first_sequence + index) for index, message in enumerate(stream))


def feed_in_chunks(data, cuts):
    unframer = Unframer()
    heard = []
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    for first, last in itertools.pairwise(edges):
        heard += unframer.feed(data[first:last])
    return heard, unframer.counters


@pytest.mark.parametrize(
    "wrong",
    [
        Tach(0, 0, ()),
        Tach(0, 0, (1,) * 17),
        Vibration(0, 625_000, 0, 0, bytes(96)),
        Vibration(0, 625_000, 0, 2, bytes(96)),
        Vibration(0, 625_000, 0, 4, bytes(96)),
        Vibration(0, 625_000, 0, 3, b""),
        Vibration(0, 625_000, 0, 3, bytes(8)),
        Vibration(0, 625_000, 0, 3, bytes(102)),
    ],
    ids=str,
)
def test_an_intact_frame_of_an_impossible_shape_is_counted_not_believed(wrong):
    unframer = Unframer()
    assert unframer.feed(b"\0" + frame(wrong, 0) + frame(Throttle(1000), 1)) == [Throttle(1000)]
    assert unframer.counters.as_dict() == {"good": 1, "bad": 0, "unknown": 1, "lost": 0, "noise_bytes": 0}


@given(streams, st.integers(0, 255), st.lists(st.integers(0, 5000), max_size=20))
def test_every_chunking_gives_every_message(stream, first_sequence, cuts):
    heard, counters = feed_in_chunks(sent(stream, first_sequence), cuts)
    assert heard == stream
    assert counters.as_dict() == {"good": len(stream), "bad": 0, "unknown": 0, "lost": 0, "noise_bytes": 0}


@given(st.binary(max_size=3000), streams, st.lists(st.integers(0, 5000), max_size=20))
def test_counters_do_not_depend_on_the_chunking_of_noise(noise, stream, cuts):
    data = noise + sent(stream) + noise
    whole, by_byte = Unframer(), Unframer()
    heard = whole.feed(data)
    assert heard == [message for index in range(len(data)) for message in by_byte.feed(data[index : index + 1])]
    assert feed_in_chunks(data, cuts) == (heard, whole.counters)
    assert by_byte.counters == whole.counters


@settings(max_examples=300)
@given(
    st.lists(messages, min_size=1, max_size=8),
    st.lists(st.tuples(st.integers(0), st.integers(0, 7)), min_size=1, max_size=6),
)
def test_flipped_bits_never_give_a_wrong_message(stream, flips):
    data = bytearray(sent(stream))
    for position, bit in flips:
        data[position % len(data)] ^= 1 << bit
    unframer = Unframer()
    remaining = iter(stream)
    for message in unframer.feed(bytes(data)):
        assert any(message == original for original in remaining), "a message that was never sent, or out of order"
    assert unframer.counters.unknown == 0


def test_twenty_thousand_damaged_frames_give_no_wrong_message():
    rng = random.Random(11)
    original = frame(Slow(1, 2, 3, 4, 5, -6, 1000, 1500, 3000, 1, 0, 5000, 3, 1), 9)
    heard = Unframer()
    for _ in range(20_000):
        damaged = bytearray(original)
        for _ in range(rng.randint(1, 4)):
            damaged[rng.randrange(len(damaged) - 1)] ^= rng.randrange(1, 256)
        if bytes(damaged) != original:
            assert heard.feed(bytes(damaged)) == []


def test_resynchronises_at_the_next_delimiter_after_noise():
    stream = [Throttle(pulse) for pulse in range(1000, 1010)]
    noise = random.Random(3).randbytes(400)
    unframer = Unframer()
    assert unframer.feed(noise + b"\x00" + sent(stream)) == stream


def test_pure_noise_gives_nothing_and_every_byte_is_counted():
    rng = random.Random(60)
    unframer = Unframer()
    delimiters = total = 0
    for _ in range(500):  # 3 MB, what 60 s at 500 kbaud carry
        noise = rng.randbytes(6000)
        assert unframer.feed(noise) == []
        delimiters += noise.count(0)
        total += len(noise)
    assert unframer.counters.good == unframer.counters.unknown == unframer.counters.lost == 0
    assert total - delimiters - LONGEST_RUN <= unframer.counters.noise_bytes <= total - delimiters


def test_joining_in_mid_frame_is_noise_but_no_bad_frame():
    data = sent([Throttle(1100), Throttle(1200)])
    unframer = Unframer()
    assert unframer.feed(data[3:]) == [Throttle(1200)]
    assert unframer.counters.bad == 0
    assert unframer.counters.noise_bytes > 0


def test_a_damaged_frame_is_bad_and_lost_by_its_successors_number():
    first, second, third = (frame(Throttle(pulse), index) for index, pulse in enumerate((1100, 1200, 1300)))
    damaged = bytes([second[0] ^ 4]) + second[1:]
    unframer = Unframer()
    assert unframer.feed(first + damaged + third) == [Throttle(1100), Throttle(1300)]
    counters = unframer.counters
    assert (counters.good, counters.bad, counters.lost, counters.noise_bytes) == (2, 1, 1, len(second) - 1)


@pytest.mark.parametrize("missing", [1, 3, 255])
def test_lost_frames_are_counted_across_the_wrap_of_the_number(missing):
    unframer = Unframer()
    unframer.feed(frame(Throttle(1100), 250) + frame(Throttle(1100), 251 + missing))
    assert unframer.counters.lost == missing


def test_a_restarted_device_counts_from_zero_without_a_loss():
    hello = Hello(1, 1, 0, 1, 8, 0, 0, 0, 0, 500, 1600, 3, 3, 6, 1, 3900, 1, 0)
    unframer = Unframer()
    unframer.feed(frame(Throttle(1100), 77) + frame(hello, 0) + frame(Throttle(1100), 1))
    assert unframer.counters.lost == 0


def test_an_intact_frame_of_an_unknown_type_or_length_is_counted_as_unknown():
    def wrapped(payload):
        return encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\x00"

    unframer = Unframer()
    assert unframer.feed(wrapped(b"\x7e\x00future") + wrapped(b"\x86\x01\x02") + frame(Throttle(1000), 2)) == [
        Throttle(1000)
    ]
    assert (unframer.counters.unknown, unframer.counters.bad, unframer.counters.lost) == (2, 0, 0)


def test_a_run_without_delimiter_does_not_fill_the_memory():
    unframer = Unframer()
    for _ in range(1000):
        assert unframer.feed(b"\x55" * 1000) == []
    assert len(unframer._pending) <= LONGEST_RUN
    assert unframer.counters.noise_bytes == 1_000_000
    assert unframer.feed(b"\x00" + frame(Throttle(1500), 0)) == [Throttle(1500)]


def test_numbers_come_with_the_messages_for_who_has_to_answer():
    assert Unframer().feed_numbered(frame(Throttle(1500), 300)) == [(44, Throttle(1500))]


@given(st.integers(0, 255), st.binary(min_size=1, max_size=130))
def test_an_intact_frame_of_any_content_is_taken_or_counted(type_byte, rest):
    payload = bytes([type_byte]) + rest
    unframer = Unframer()
    heard = unframer.feed(encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\x00")
    assert len(heard) + unframer.counters.unknown == 1
