"""Frames on the wire: payload + CRC-32, stuffed with COBS, ended by one zero byte. Bytes in, messages out, no I/O.

COBS: Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7 (1999) 159; the CRC is
CRC-32/ISO-HDLC, the one of ``zlib.crc32``, appended little-endian.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from zlib import crc32

from cobs.cobs import DecodeError
from cobs.cobs import decode as unstuff
from cobs.cobs import encode as stuff

from whirlbench.errors import LinkError
from whirlbench.link.messages import CODECS, Hello, Message, encode

DELIMITER = b"\x00"
# The CRC over (payload + its own little-endian CRC) is this constant for every intact frame: a property of the
# polynomial and the final inversion, which saves taking the two apart before the check.
INTACT = 0x2144DF1C
SHORTEST_BODY = 6  # type, sequence, CRC; one byte more when stuffed
READERS = {type_byte: codec.framed_reader() for type_byte, codec in CODECS.items()}
LONGEST_RUN = 512  # bytes without a delimiter; the longest frame of this protocol is a quarter of that


@dataclass(slots=True)
class FrameCounters:
    """What became of every byte that was fed.

    ``good`` frames held a known message; ``unknown`` were intact, but of a type, length or shape that this program
    does not know; ``bad`` were damaged (one for each stretch between delimiters). ``lost`` frames are missing by their
    sequence numbers, whatever became of them: a frame that is counted as bad is counted here as well, once its
    successor tells.
    ``noise_bytes`` are all bytes, delimiters apart, that belong to no intact frame.
    """

    good: int = 0
    bad: int = 0
    unknown: int = 0
    lost: int = 0
    noise_bytes: int = 0

    def as_dict(self) -> dict[str, int]:
        """The counters by name."""
        return {name: getattr(self, name) for name in self.__slots__}  # a tenth of the time of asdict, in every turn


def frame(message: Message, sequence: int) -> bytes:
    """Bytes on the wire for ``message``, delimiter included; ``sequence`` is taken modulo 256.

    A field out of its range raises LinkError.

    >>> Unframer().feed(frame(Hello(*range(18)), 0)) == [Hello(*range(18))]
    True
    """
    payload = encode(message, sequence)
    stuffed: bytes = stuff(payload + struct.pack("<I", crc32(payload)))
    return stuffed + DELIMITER


class Unframer:
    """Turns a stream of bytes, cut anywhere, back into messages.

    Damage costs the frames it touches and never yields a message: the next delimiter starts afresh. The bytes before
    the first delimiter are usually the rest of a frame that was under way when the port was opened; when they are
    not intact they count as noise, not as a bad frame. Everything after that is counted exactly, in every chunking.
    """

    def __init__(self) -> None:
        self.counters = FrameCounters()
        self._pending = b""  # bytes since the last delimiter
        self._overlong = False  # they were too many: all is noise until the next delimiter
        self._joined = False  # a delimiter was seen
        self._expected: int | None = None  # next sequence number

    def feed(self, data: bytes) -> list[Message]:
        """Messages completed by ``data`` (any length, also none), in order; raises nothing."""
        messages = [message for message in map(self._decode, self._intact_bodies(data)) if message is not None]
        self.counters.good += len(messages)
        return messages

    def feed_numbered(self, data: bytes) -> list[tuple[int, Message]]:
        """Like ``feed``, each message with the sequence number (0 to 255) it was sent under."""
        decoded = ((body[1], self._decode(body)) for body in self._intact_bodies(data))
        numbered = [(sequence, message) for sequence, message in decoded if message is not None]
        self.counters.good += len(numbered)
        return numbered

    def _intact_bodies(self, data: bytes) -> list[bytes]:
        """Payload and CRC of every intact frame that ``data`` completes."""
        *ended, self._pending = (self._pending + data).split(DELIMITER)
        bodies = []
        for stuffed in ended:
            try:
                body = unstuff(stuffed)
            except DecodeError:
                body = b""
            if crc32(body) == INTACT and SHORTEST_BODY < len(stuffed) <= LONGEST_RUN and not self._overlong:
                bodies.append(body)
            else:
                self._joined = self._joined or bool(bodies)
                self._count_damage(stuffed)
        self._joined = self._joined or bool(bodies)
        if len(self._pending) > LONGEST_RUN or self._overlong:
            self._swallow_pending()
        return bodies

    def _decode(self, body: bytes) -> Message | None:
        """The message in an intact body, None when its type or length is unknown; either way its number counts."""
        sequence = body[1]
        if sequence != self._expected:
            self._count_gap(body[0], sequence)
        self._expected = (sequence + 1) & 0xFF
        try:
            return READERS[body[0]](body)
        except (KeyError, struct.error, LinkError):
            self.counters.unknown += 1
            return None

    def _count_damage(self, stuffed: bytes) -> None:
        """Counts a stretch that holds no intact frame; an empty one between two delimiters is nothing at all."""
        if stuffed or self._overlong:
            self.counters.noise_bytes += len(stuffed)
            self.counters.bad += self._joined
        self._joined = True
        self._overlong = False

    def _count_gap(self, type_byte: int, sequence: int) -> None:
        """Counts the frames that are missing before ``sequence``; a device that restarted begins again at zero."""
        restarted = type_byte == Hello.TYPE and sequence == 0
        if self._expected is not None and not restarted:
            self.counters.lost += (sequence - self._expected) & 0xFF

    def _swallow_pending(self) -> None:
        self.counters.noise_bytes += len(self._pending)
        self._pending = b""
        self._overlong = True
