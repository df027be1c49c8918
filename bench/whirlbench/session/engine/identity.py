"""What a device says of itself, as a recording keeps it."""

from __future__ import annotations

from whirlbench.link.messages import Board, Hello


def firmware_identity(hello: Hello) -> dict[str, str | int]:
    """The device's own description, by name."""
    known = {board.value: board.name.lower() for board in Board}
    return {
        "board": known.get(hello.board, f"board {hello.board}"),
        "firmware": f"{hello.firmware_major}.{hello.firmware_minor}",
        "build_id": f"{hello.build_id:08x}",
        "protocol": hello.protocol,
        "slow_rate_hz": hello.slow_rate_hz,
        "vibration_rate_hz": hello.vibration_rate_hz,
        "vibration_axes": hello.vibration_axes,
        "restart_cause": hello.restart_cause,
    }
