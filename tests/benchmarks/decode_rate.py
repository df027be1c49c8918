"""How fast the Unframer is, against the plainest loop of the same libraries in the same run.

    python tests/benchmarks/decode_rate.py

The mix is what a stand sends in one second: 500 slow samples, 100 vibration blocks of 16 x 3 axes, tach batches at
6000 rpm, one message of counters: about 34 kB. Wanted: at least 0.7 of the plain loop, which unpacks no tails into
messages and keeps no counters but the good frames.
"""

from __future__ import annotations

import random
import struct
import time
import zlib

from cobs.cobs import decode

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Counters, Slow, Tach, Vibration

WANTED_SHARE = 0.7
CHUNK_BYTES = 512
ROUNDS = 9
SECONDS = 30
FORMATS = {
    0x10: struct.Struct("<BBIIHHHiHHHBB"),
    0x11: struct.Struct("<BBIH"),
    0x12: struct.Struct("<BBIIIB"),
    0x15: struct.Struct("<BBIIHHHHHHH"),
}


def one_second(rng: random.Random, first_us: int) -> list:
    """Messages of one second, in a likely order."""
    messages: list = []
    for tick in range(500):
        now_us = first_us + tick * 2000
        messages.append(Slow(now_us, 20_000, 312, 840, 511, -81_234, 1500, 1480, 6000, 2, 0, 5000, 3, 1))
        if tick % 5 == 0:
            messages.append(Vibration(now_us, 625_000, now_us // 625, 3, rng.randbytes(96)))
        if tick % 10 == 0:
            messages.append(Tach(now_us // 10_000, 2, (now_us, now_us + 10_000)))
    return [*messages, Counters(first_us, 0, 0, 0, 0, 0, 80, 400, 900)]


def stream(seconds: int) -> tuple[bytes, int]:
    """(bytes on the wire, number of frames)."""
    rng = random.Random(1)
    messages = [message for second in range(seconds) for message in one_second(rng, second * 1_000_000)]
    return b"".join(frame(message, index) for index, message in enumerate(messages)), len(messages)


def plain_loop(chunks: list[bytes]) -> int:
    """COBS, CRC and struct, nothing else."""
    pending, good = b"", 0
    for chunk in chunks:
        *ended, pending = (pending + chunk).split(b"\0")
        for stuffed in ended:
            body = decode(stuffed)
            if zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little"):
                FORMATS[body[0]].unpack_from(body)
                good += 1
    return good


def unframer_loop(chunks: list[bytes]) -> int:
    """What the session runs."""
    unframer = Unframer()
    for chunk in chunks:
        unframer.feed(chunk)
    return unframer.counters.good


def once_s(loop, chunks: list[bytes], expected: int) -> float:  # type: ignore[no-untyped-def]
    """Processor time of one pass."""
    began = time.process_time()
    assert loop(chunks) == expected
    return time.process_time() - began


def measure(seconds: int = SECONDS) -> tuple[float, float]:
    """(MB/s of the plain loop, MB/s of the Unframer): the best passes of each, taken in turns."""
    data, frames = stream(seconds)
    chunks = [data[at : at + CHUNK_BYTES] for at in range(0, len(data), CHUNK_BYTES)]
    passes = [(once_s(plain_loop, chunks, frames), once_s(unframer_loop, chunks, frames)) for _ in range(ROUNDS)]
    plain_s, ours_s = (min(times) for times in zip(*passes, strict=True))
    return len(data) / 1e6 / plain_s, len(data) / 1e6 / ours_s


if __name__ == "__main__":
    plain, ours = measure()
    print(f"plain cobs + crc + struct  {plain:6.1f} MB/s\nUnframer                   {ours:6.1f} MB/s")
    print(f"share                      {ours / plain:6.2f}   (wanted {WANTED_SHARE})")
    raise SystemExit(ours / plain < WANTED_SHARE)
