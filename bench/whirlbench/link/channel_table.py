"""The channel table: what a device says, after Hello, about the quantities in its telemetry.

Sketch and simulated device send these rows; the sketch's copy is generated from here.
"""

from __future__ import annotations

from whirlbench.link.messages import ChannelInfo, Message, Slow, Tach, Vibration

_ROWS: tuple[tuple[type[Message], int, str, str], ...] = (
    (Slow, 32, "tach period", "0.5us"),
    (Slow, 10, "current", "count"),
    (Slow, 10, "voltage", "count"),
    (Slow, 10, "servo feedback", "count"),
    (Slow, 24, "thrust load", "count"),
    (Slow, 16, "throttle pulse", "us"),
    (Slow, 16, "servo pulse", "us"),
    (Slow, 16, "speed request", "rpm"),
    (Tach, 33, "tach edge", "0.5us"),
    (Vibration, 13, "along shaft", "count"),
    (Vibration, 13, "across, level", "count"),
    (Vibration, 13, "across, upright", "count"),
)

CHANNEL_TABLE: tuple[ChannelInfo, ...] = tuple(
    ChannelInfo(
        index=index,
        stream=stream.TYPE,
        bits=bits,
        name=name.encode("ascii").ljust(16, b"\0"),
        unit=unit.encode("ascii").ljust(8, b"\0"),
    )
    for index, (stream, bits, name, unit) in enumerate(_ROWS)
)
