"""Agreeing on the limits before arming: every slot written, the whole table read back and compared."""

from __future__ import annotations

from collections.abc import Sequence

from whirlbench.link.conversation import Conversation
from whirlbench.link.limit_table import LimitId, checksum
from whirlbench.link.messages import Hello, Message, ReadLimits, SetLimit
from whirlbench.link.outbox import Exchange

# Sensitivity of one accelerometer differs from its type's by up to a tenth (data sheets), which a calibration finds;
# further apart they are different parts, or ranges.
SENSITIVITY_SPREAD = 0.1


def scale_objection(hello: Hello | None, g_per_count: float) -> str:
    """Why the vibration limit would be scaled wrongly on the device that said ``hello``; empty when it would not."""
    told_g = hello.accelerometer_ug_per_count / 1e6 if hello is not None else 0.0
    if abs(told_g / g_per_count - 1.0) <= SENSITIVITY_SPREAD:
        return ""
    return (
        f"the device's accelerometer gives {told_g:.4g} g a count, the rig says {g_per_count:.4g} in "
        f"vibration.g_per_count: put the fitted part's there, or build the sketch for it"
    )


class Agreement:
    """One round of agreement on ``values`` (slot order) and the governor's ``parameters``."""

    def __init__(self, conversation: Conversation, values: Sequence[int], parameters: Sequence[Message]) -> None:
        self.values = tuple(values)
        self.crc = checksum(values)
        self._conversation = conversation
        commands: list[Message] = [SetLimit(slot, value) for slot, value in enumerate(values)]
        self._exchanges: list[Exchange] = [conversation.send(command) for command in (*commands, *parameters)]
        self._read = conversation.send(ReadLimits())

    @property
    def complete(self) -> bool:
        """Whether every answer is in."""
        return not any(exchange.pending for exchange in (*self._exchanges, self._read))

    def objection(self) -> str:
        """Why the limits are not agreed, once ``complete``; empty when they are."""
        for exchange in self._exchanges:
            if not exchange.done:
                return exchange.complaint() or f"{exchange.command} was never answered"
        return self._table_objection()

    def _table_objection(self) -> str:
        echo = self._conversation.limits
        if echo is None:
            return "the device did not echo its limits"
        if len(echo.values) != len(self.values):
            return f"the device holds {len(echo.values)} limits, expected {len(self.values)}"
        if tuple(echo.values) != self.values:
            pairs = enumerate(zip(echo.values, self.values, strict=True))
            slot = next(slot for slot, (held, sent) in pairs if held != sent)
            return f"the device holds {echo.values[slot]} for {tuple(LimitId)[slot].name}, {self.values[slot]} was sent"
        if echo.crc != self.crc:
            return f"the device's limits checksum is {echo.crc:08x}, expected {self.crc:08x}"
        return ""
