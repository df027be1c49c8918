"""One simulated microcontroller, driven synchronously: pins, counts and serial bytes in, pulses and serial bytes out.

The library is loaded into the test's own process. A process of its own would need a protocol for edges, samples and
pulses several hundred times a simulated second; calls cost a microsecond. Where a process of its own is the point,
``mcu_stand`` runs as one and offers a pseudo-terminal.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import mcu_build
import numpy as np
from cffi import FFI

CLOCK_HZ = mcu_build.CLOCK_HZ
BOARDS = {"atmega2560": 1, "atmega328p": 2}
ESC, SERVO = 0, 1
ROOM = 65536
PIN_LEVELS = ("low", "high", "floating", "pull-up")


class McuStopped(RuntimeError):
    """The program on the chip crashed or stopped for good."""


@dataclass(frozen=True)
class Pulse:
    """One pulse on an output, edges in seconds since power-on."""

    output: int
    rise_s: float
    fall_s: float
    stray: bool

    @property
    def width_us(self) -> float:
        """Time between the edges, in microseconds."""
        return (self.fall_s - self.rise_s) * 1e6


@cache
def _library() -> tuple[FFI, Any]:
    ffi = FFI()
    ffi.cdef((mcu_build.SOURCES / "stand.h").read_text())
    return ffi, ffi.dlopen(str(mcu_build.library()))


class Mcu:
    """A chip with ``elf`` loaded, powered on at time zero; use it as a context manager."""

    def __init__(self, board: str, elf: Path) -> None:
        self._ffi, self._lib = _library()
        complaint = self._ffi.new("char[512]")
        self._stand = self._lib.stand_open(str(elf).encode(), BOARDS[board], complaint, 512)
        if not self._stand:
            raise McuStopped(self._ffi.string(complaint).decode())
        self._bytes = self._ffi.new(f"uint8_t[{ROOM}]")
        self._cycles = self._ffi.new(f"uint64_t[{ROOM}]")
        self._times = self._ffi.new("double[4096]")
        self._pulses = self._ffi.new("stand_pulse_t[8192]")
        self.pulses: list[Pulse] = []
        self._heard: list[tuple[bytes, np.ndarray]] = []

    def close(self) -> None:
        """Frees the chip; further calls are errors."""
        if self._stand:
            self._lib.stand_close(self._stand)
            self._stand = None

    def __enter__(self) -> Mcu:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def now_s(self) -> float:
        """Simulated time since power-on."""
        return self._lib.stand_cycle(self._stand) / CLOCK_HZ

    @property
    def cycle(self) -> int:
        """Clock cycles since power-on."""
        return self._lib.stand_cycle(self._stand)

    @property
    def baud(self) -> int:
        """Speed to which the program set its serial line."""
        return self._lib.stand_baud(self._stand)

    @property
    def counters(self) -> dict[str, int]:
        """Everything that happened or was lost on the stand's side; names as in ``stand.h``."""
        counters = self._ffi.new("stand_counters_t *")
        self._lib.stand_counters(self._stand, counters)
        return {name: getattr(counters, name) for name, _ in self._ffi.typeof("stand_counters_t").fields}

    def run(self, until_s: float) -> None:
        """Runs the program up to ``until_s``; McuStopped when it crashed."""
        self.run_to(round(until_s * CLOCK_HZ))

    def run_to(self, cycle: int) -> None:
        """Like ``run``, up to a clock cycle."""
        if self._lib.stand_run(self._stand, cycle):
            complaint = self._ffi.string(self._lib.stand_complaint(self._stand)).decode()
            raise McuStopped(f"the program stopped at {self.now_s:.6f} s: {complaint or 'no reason given'}")
        self._collect_bytes()
        self._collect_pulses()

    def reset(self, cause: int) -> None:
        """Resets the chip; ``cause`` is what its status register then shows, a value of ``messages.Restart``."""
        self._lib.stand_reset(self._stand, cause)

    def hang(self, interrupts: bool) -> None:
        """The main program goes round in an empty loop from now on; its interrupts still come, or do not."""
        self._lib.stand_hang(self._stand, interrupts)

    def peek(self, address: int, count: int) -> bytes:
        """Bytes of the chip's memory from ``address`` on, registers included."""
        out = self._ffi.new(f"uint8_t[{count}]")
        if self._lib.stand_peek(self._stand, address, out, count) < 0:
            raise ValueError(f"{count} bytes from {address:#x} are not all memory")
        return bytes(out)

    def poke(self, address: int, data: bytes) -> None:
        """Changes memory behind the program's back, as a disturbance would; never registers."""
        if self._lib.stand_poke(self._stand, address, data, len(data)) < 0:
            raise ValueError(f"{len(data)} bytes from {address:#x} are not all memory beyond the registers")

    def pin(self, port: str, bit: int) -> str:
        """What drives a pin: "low", "high", "floating", or "pull-up" where only the chip's own pull-up does."""
        return PIN_LEVELS[self._lib.stand_pin(self._stand, port.encode(), bit)]

    def memory(self) -> bytes:
        """The whole memory as the program addresses it, from address zero."""
        for size in (0x2200, 0x900):  # of the ATmega2560, of the ATmega328P
            try:
                return self.peek(0, size)
            except ValueError:
                continue
        raise McuStopped("this chip has neither of the known memory sizes")

    def tach_edges(self, times_s: Iterable[float]) -> None:
        """Rising edges of the tach at ``times_s``, ascending."""
        cycles = [round(time * CLOCK_HZ) for time in times_s]
        if self._lib.stand_tach_edges(self._stand, cycles, len(cycles)) != len(cycles):
            raise McuStopped(f"{len(cycles)} tach edges at once: more than 4096 wait")

    def analogue(self, channel: int, counts: int) -> None:
        """A voltage on A0 (current), A1 (voltage) or A2 (servo feedback) that converts to ``counts``, 0 to 1023."""
        self._lib.stand_analogue(self._stand, channel, min(max(int(counts), 0), 1023))

    def accelerometer(self, bits: int) -> None:
        """Which of the two accelerometers is wired, by its bits: 13 (as it comes) or 12; before the first ``run``."""
        self._lib.stand_accelerometer(self._stand, {13: 1, 12: 2}[bits])

    def supply(self, millivolts: int) -> None:
        """The chip's supply from now on; 5000 as it comes."""
        self._lib.stand_supply(self._stand, millivolts)

    def load(self, code: int, clock_factor: float | None = None) -> None:
        """What the load cell's converter measures from now on, a signed 24-bit code."""
        if clock_factor is not None:
            self._lib.stand_load_clock(self._stand, clock_factor)
        self._lib.stand_load(self._stand, min(max(int(code), -0x800000), 0x7FFFFF))

    def conversions(self) -> list[tuple[float, int]]:
        """Time and code of the load cell's conversions since the last call."""
        out = self._ffi.new("stand_conversion_t[4096]")
        count = self._lib.stand_take_conversions(self._stand, out, 4096)
        return [(out[i].cycle / CLOCK_HZ, out[i].code) for i in range(count)]

    def samples_due(self, until_s: float) -> np.ndarray:
        """Times in seconds of the accelerometer samples up to ``until_s`` that were not given yet."""
        count = self._lib.stand_samples_due(self._stand, round(until_s * CLOCK_HZ), self._times, 4096)
        return np.frombuffer(self._ffi.buffer(self._times, 8 * count), dtype=float) / CLOCK_HZ

    def samples(self, counts: np.ndarray) -> None:
        """Gives accelerometer samples for the times told by ``samples_due``: shape (n, 3), counts of 3.9 mg."""
        data = np.ascontiguousarray(counts, dtype=np.int16)
        pointer = self._ffi.cast("int16_t *", self._ffi.from_buffer(data))
        self._lib.stand_samples(self._stand, pointer, len(data))

    def sample_clock(self, factor: float) -> None:
        """The accelerometer's own clock runs ``factor`` times its nominal speed, from the next start of measuring."""
        self._lib.stand_sample_clock(self._stand, factor)

    def write(self, data: bytes) -> None:
        """Puts ``data`` on the line to the chip, at 500 kbaud without gaps."""
        self._lib.stand_send(self._stand, data, len(data))

    @property
    def unsent(self) -> int:
        """Bytes that have not reached the chip yet."""
        return self._lib.stand_unsent(self._stand)

    @property
    def last_sent_s(self) -> float:
        """When the last byte written so far to reach the chip was complete."""
        return self._lib.stand_last_sent(self._stand) / CLOCK_HZ

    def read_timed(self) -> tuple[bytes, np.ndarray]:
        """Bytes from the chip since the last call, and for each the time in seconds at which it was complete."""
        heard, self._heard = self._heard, []
        times_s = [cycles for _, cycles in heard]
        return b"".join(data for data, _ in heard), np.concatenate(times_s or [np.zeros(0)]) / CLOCK_HZ

    def read(self) -> bytes:
        """Bytes from the chip since the last call."""
        return self.read_timed()[0]

    def level(self, output: int) -> bool:
        """Whether an output is high now."""
        return bool(self._lib.stand_level(self._stand, output))

    def width_us(self, output: int) -> float:
        """Width in microseconds of the latest whole pulse on an output; 0 before the first."""
        return self._lib.stand_width(self._stand, output) / (CLOCK_HZ / 1e6)

    def _collect_bytes(self) -> None:
        count = self._lib.stand_received(self._stand, self._bytes, self._cycles, ROOM)
        if count:
            cycles = np.frombuffer(self._ffi.buffer(self._cycles, 8 * count), dtype=np.uint64).copy()
            self._heard.append((self._ffi.buffer(self._bytes, count)[:], cycles))

    def _collect_pulses(self) -> None:
        out = self._pulses
        for i in range(self._lib.stand_take_pulses(self._stand, out, 8192)):
            pulse = out[i]
            self.pulses.append(Pulse(pulse.output, pulse.rise / CLOCK_HZ, pulse.fall / CLOCK_HZ, bool(pulse.stray)))
