"""The example rig with limits of silence that a busy computer keeps: what keeps to the clock runs on it."""

from __future__ import annotations

from whirlbench.rig.toml import example_rig_text

HEARTBEAT_MS, SURFACE_MS = 1000, 2000


def patient_rig_text(heartbeat_ms: int = HEARTBEAT_MS, surface_ms: int = SURFACE_MS) -> str:
    """TOML of the example rig, its limits of silence widened from a tenth and three tenths of a second."""
    limits = f"heartbeat_ms = {heartbeat_ms}\nsurface_ms = {surface_ms}"
    text = example_rig_text().replace("heartbeat_ms = 100", limits)
    assert limits in text, "the example rig's own heartbeat_ms is another one now"
    return text
