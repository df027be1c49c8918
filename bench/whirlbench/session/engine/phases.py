"""Where a session stands, as the host sees it; the stand's own state is the device's word."""

from __future__ import annotations

from enum import StrEnum


class Phase(StrEnum):
    """Phases of a session; the values are for people."""

    CONNECTING = "connecting"
    AGREEING = "agreeing on limits"
    READY = "ready"  # limits agreed, locked: may be armed
    ARMING = "arming"
    RUNNING = "running"  # armed or turning, by plan or by hand
    STOPPING = "stopping"  # throttle safe, locked at rest
    COASTING = "coasting down"  # after a trip: recording until rest
    TRIPPED = "tripped"  # at rest, waiting for a reset
    ENDED = "ended"


LIVE_PHASES = (Phase.READY, Phase.ARMING, Phase.RUNNING, Phase.STOPPING)  # limits are agreed, nothing has tripped
