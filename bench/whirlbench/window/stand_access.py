"""What the command line lends the window: the ports there are, and the way to start a session. No Qt here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SIMULATED = "simulated"


@dataclass(frozen=True)
class FoundPort:
    """A serial port and what is plugged into it."""

    path: str
    what: str


def no_ports() -> Sequence[FoundPort]:
    """Nothing is plugged in."""
    return ()


@dataclass(frozen=True)
class StandAccess:
    """``ports`` lists the serial ports; ``start(window, port, rig file)`` shows a session, or raises BenchError.

    Without ``start`` the window offers no stand.
    """

    ports: Callable[[], Sequence[FoundPort]] = no_ports
    start: Callable[[Any, str, Path | None], None] | None = None
