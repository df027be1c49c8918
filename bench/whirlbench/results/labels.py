"""Names for people: what a limit, a channel or a signal is called on every surface, instead of its key."""

from __future__ import annotations

import re

from whirlbench.rig.limits import TRENDS, WITH_MARGIN, WITH_RULE
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Event

LABELS = {limit.key: limit.watch.label for limit in (*WITH_MARGIN, *TRENDS)} | {
    "voltage_v": "pack voltage",
    "tip_mach": "tip Mach",
    "motor_torque_n_m": "motor torque",
    "servo_torque_n_m": "pitch servo torque",
    "throttle_headroom_pct": "throttle head-room",
    "root_reserve_factor": "blade reserve",
    "blade_reserve": "blade reserve",
    "lost_tach_ms": "lost tach",
    "load_cell_readings": "silent load cell",
    "vibration_silence_s": "silent accelerometer",
    "frozen_samples": "frozen samples",
    "rpm": "speed",
    "pitch": "blade angle",
    "request_rpm": "requested speed",
    "known_rpm": "known speed",
    "read_rpm": "speed read",
    "pulse_us": "pulse",
    "angle_deg": "angle",
    "travel_pct": "travel",
    "vibration_g": "vibration",
    "recorder_lag_s": "recorder's lag",
    "temperature_c": "temperature",
    "tension_mpa": "tension",
    "tension_across_mpa": "tension across layers",
    "shear_mpa": "shear",
    "shear_across_mpa": "shear across layers",
    "bearing_mpa": "bearing",
    "bond_shear_mpa": "shear of the bond",
    "ax_g": "vibration along x",
    "ay_g": "vibration along y",
    "az_g": "vibration along z",
    "pitch_deg": "blade angle",
    "servo_us": "servo pulse",
    "throttle_us": "throttle pulse",
    "speed_request_rpm": "requested speed",
    "overshoot_pct": "overshoot",
    "damping_ratio": "damping ratio",
    "bandwidth_hz": "bandwidth",
    "settling_time_s": "settling time",
    "steady_error_rpm": "steady error",
    "droop_rpm": "droop",
    "deviation_rpm": "deviation",
    "recovery_s": "recovery",
    "hunting_rpm": "hunting",
    "duration_s": "duration",  # of the steps in recordings that tell them by their keys
    "ramp_us_per_s": "ramp",
    "ramp_rpm_per_s": "ramp",
    "ramp_deg_per_s": "ramp",
    "throttle_pct": "throttle travel",
    "amplitude_us": "amplitude",
    "amplitude_rpm": "amplitude",
    "amplitude_deg": "amplitude",
    "low_hz": "lowest frequency",
    "high_hz": "highest frequency",
    "stop_above_margin_pct": "stops above a margin of",
}
UNITS = (
    {channel.name: channel.unit for channel in (*SLOW_CHANNELS, *VIBRATION_AXES)}
    | {limit.key: limit.unit for limit in (*WITH_MARGIN, *WITH_RULE)}
    | {"duration_s": "s", "ramp_us_per_s": "us/s", "ramp_rpm_per_s": "rpm/s", "ramp_deg_per_s": "deg/s"}
    | {"request_rpm": "rpm", "throttle_pct": "%", "amplitude_us": "us", "amplitude_rpm": "rpm", "amplitude_deg": "deg"}
    | {"low_hz": "Hz", "high_hz": "Hz", "stop_above_margin_pct": "%"}
)
_NUMBER = r"-?\d+(?:\.\d+)?(?:e[+-]\d+)?"
# a word that is no key as well, such as rpm, is left alone in running text; a bare number behind a key is in its unit
_KEYS = re.compile(
    rf"(?<![\w.])({'|'.join(sorted((key for key in LABELS if '_' in key), key=len, reverse=True))})(?!\w)"
    rf"(?:( {_NUMBER}(?: (?:to|±) {_NUMBER})?)(?=[,;)]|$)(?:(, limit {_NUMBER})(?=[,;)]|$))?)?"
)


def label(key: str) -> str:
    """What ``key`` is called; a key without a name of its own is spoken with spaces."""
    return LABELS.get(key) or key.replace("_", " ")


def spoken(text: str) -> str:
    """``text`` with every bare key in it replaced by its label; a key after a dot is one of the rig file and stays.

    A number behind a key gets the key's unit.
    """
    return _KEYS.sub(_words, text)


def _words(found: re.Match[str]) -> str:
    key, *numbers = found.groups()
    unit = f" {UNITS[key]}" if UNITS.get(key) else ""
    return LABELS[key] + "".join(f"{number}{unit}" for number in numbers if number)


def event_words(event: Event) -> str:
    """What an event is called on every surface, with its detail in brackets; a note keeps the operator's own words."""
    if event.kind == event.name == "note":
        return event.detail
    name = label(event.name) if event.name in LABELS else spoken(event.name)
    return f"{name} ({spoken(event.detail)})" if event.detail else name
