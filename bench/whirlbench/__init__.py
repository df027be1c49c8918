"""Whirlbench: prove a home-built variable-pitch, constant-speed propeller on a guarded stand.

For use from Python, recordings, rigs and the analyses stand here as functions; the documentation's page on Python shows
them at work. Each is loaded when it is first asked for, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from whirlbench.analysis.balance import balance, correction_for
    from whirlbench.analysis.conditions import air_density_kg_m3
    from whirlbench.analysis.governor import study as study_speed_loop
    from whirlbench.analysis.onset import find_onset
    from whirlbench.analysis.orders import find_resonances, track_orders
    from whirlbench.analysis.pitch_limits import pitch_limits
    from whirlbench.analysis.propeller import find_holds
    from whirlbench.analysis.strength import check_strength
    from whirlbench.recording.files import open_recording, read_run
    from whirlbench.rig.toml import parse_rig, read_rig

__version__ = "0.1.0"

__all__ = [
    "air_density_kg_m3",
    "balance",
    "check_strength",
    "correction_for",
    "find_holds",
    "find_onset",
    "find_resonances",
    "open_recording",
    "parse_rig",
    "pitch_limits",
    "read_rig",
    "read_run",
    "study_speed_loop",
    "track_orders",
]

_HOMES = {
    "air_density_kg_m3": "analysis.conditions",
    "balance": "analysis.balance",
    "check_strength": "analysis.strength",
    "correction_for": "analysis.balance",
    "find_holds": "analysis.propeller",
    "find_onset": "analysis.onset",
    "find_resonances": "analysis.orders",
    "open_recording": "recording.files",
    "parse_rig": "rig.toml",
    "pitch_limits": "analysis.pitch_limits",
    "read_rig": "rig.toml",
    "read_run": "recording.files",
    "study_speed_loop": "analysis.governor",
    "track_orders": "analysis.orders",
}
_OTHER_NAMES = {"study_speed_loop": "study"}


def __getattr__(name: str) -> object:
    """The public function ``name`` from where it lives; AttributeError for any other name."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(f"{__name__}.{_HOMES[name]}"), _OTHER_NAMES.get(name, name))
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """The public functions beside what is loaded."""
    return sorted({*globals(), *__all__})
