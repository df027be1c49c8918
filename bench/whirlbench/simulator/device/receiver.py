"""What the simulated device hears: bytes in, payloads of intact frames out. Twin of the sketch's ``framing.*``."""

from __future__ import annotations

from zlib import crc32

from cobs.cobs import DecodeError
from cobs.cobs import decode as unstuff

from whirlbench.link.framing import DELIMITER, INTACT

LONGEST_BODY = 32  # bytes that a device keeps of a frame, CRC included; the longest command needs 11
SHORTEST_BODY = 6  # type, sequence, CRC
ENOUGH = 2 * LONGEST_BODY  # of a stretch that is too long anyhow
MOST_COUNTED = 0xFFFF


class Receiver:
    """Turns a stream of bytes, cut anywhere, into payloads; what it does not know is left to whoever answers.

    ``bad_frames``: stretches between delimiters that were no intact frame, from the first byte on; stays at 65535.
    """

    def __init__(self) -> None:
        self.bad_frames = 0
        self._pending = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Payloads (type, sequence, fields) of the intact frames that ``data`` completes, in order; raises nothing."""
        *ended, pending = (self._pending + data).split(DELIMITER)
        self._pending = pending[:ENOUGH]
        return [payload for payload in map(self._payload, filter(None, ended)) if payload]

    def _payload(self, stuffed: bytes) -> bytes:
        """What an intact stretch holds; empty, and counted, when it is damaged or too long."""
        try:
            body: bytes = unstuff(stuffed)
        except DecodeError:
            body = b""
        if SHORTEST_BODY <= len(body) <= LONGEST_BODY and crc32(body) == INTACT:
            return body[:-4]
        self.bad_frames = min(self.bad_frames + 1, MOST_COUNTED)
        return b""
