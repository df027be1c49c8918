"""Names for people: what a limit, a channel or a signal is called on every surface, instead of its key."""

from __future__ import annotations

import re

LABELS = {
    "overspeed_rpm": "overspeed",
    "vibration_g_rms": "vibration",
    "current_a": "current",
    "voltage_v": "pack voltage",
    "thrust_n": "thrust",
    "power_w": "power",
    "tip_mach": "tip Mach",
    "minimum_voltage_v": "least pack voltage",
    "motor_torque_n_m": "motor torque",
    "servo_torque_n_m": "pitch servo torque",
    "throttle_headroom_pct": "throttle head-room",
    "root_reserve_factor": "blade reserve",
    "blade_reserve": "blade reserve",
    "lost_tach_ms": "lost tach",
    "load_cell_readings": "silent load cell",
    "ax_g": "vibration along x",
    "ay_g": "vibration along y",
    "az_g": "vibration along z",
    "pitch_deg": "blade angle",
    "servo_us": "servo pulse",
    "throttle_us": "throttle pulse",
    "speed_request_rpm": "requested speed",
}
_KEYS = re.compile(r"(?<![\w.])(" + "|".join(sorted(LABELS, key=len, reverse=True)) + r")(?!\w)")


def label(key: str) -> str:
    """What ``key`` is called; a key without a name of its own is spoken with spaces."""
    return LABELS.get(key) or key.replace("_", " ")


def spoken(text: str) -> str:
    """``text`` with every bare key in it replaced by its label; a key after a dot is one of the rig file and stays."""
    return _KEYS.sub(lambda found: LABELS[found.group(1)], text)
