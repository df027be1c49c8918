"""What the simulated device sends: numbered frames, tach batches, vibration blocks, slow samples."""

from __future__ import annotations

from whirlbench.link.framing import DELIMITER, frame
from whirlbench.link.messages import Message, Tach, Vibration

U32 = 0xFFFFFFFF
TACH_BATCH = 16
TACH_WAIT_US = 20_000
VIBRATION_BLOCK = 16


class Sender:
    """Numbers and frames messages, and keeps their bytes until they are fetched."""

    def __init__(self) -> None:
        self._sequence = 0
        self._waiting: list[bytes] = []

    def end_cut_frame(self) -> None:
        """Queues a lone delimiter, before the first frame: it ends one that a restart may have cut short."""
        self._waiting.append(DELIMITER)

    def send(self, message: Message) -> None:
        """Queues ``message`` under the next sequence number."""
        self._waiting.append(frame(message, self._sequence))
        self._sequence = (self._sequence + 1) & 0xFF

    def take(self) -> bytes:
        """All bytes queued since the last call."""
        data = b"".join(self._waiting)
        self._waiting.clear()
        return data


class TachBatch:
    """Collects edges, times in half microseconds of the device's clock; sends full or waiting batches."""

    def __init__(self) -> None:
        self._halves: list[int] = []
        self._first_index = 0
        self._since_us = 0

    def add(self, sender: Sender, half_us: int, now_us: int) -> None:
        """Takes an edge; the sixteenth sends the batch."""
        if not self._halves:
            self._since_us = now_us
        self._halves.append(half_us)
        if len(self._halves) == TACH_BATCH:
            self._flush(sender)

    def flush_when_due(self, sender: Sender, now_us: int) -> None:
        """Sends what has waited long enough."""
        if self._halves and now_us - self._since_us >= TACH_WAIT_US:
            self._flush(sender)

    def _flush(self, sender: Sender) -> None:
        bits = sum((half & 1) << place for place, half in enumerate(self._halves))
        sender.send(Tach(self._first_index & U32, bits, tuple((half >> 1) & U32 for half in self._halves)))
        self._first_index += len(self._halves)
        self._halves = []


def vibration_block(first_index: int, time_us: int, rate_hz: float, counts: bytes) -> Vibration:
    """Message for one block of three-axis samples; ``time_us`` is that of the first."""
    return Vibration(time_us & U32, round(1e9 / rate_hz), first_index & U32, 3, counts)
