"""Millions of hostile frames for the sketch's portable core, natively, under the sanitizers.

    python tests/firmware/faults/hostile_frames.py [FRAMES] [SEED]

``hostile.cpp`` says what is done and which rules must hold. The long form, ten million frames, takes some minutes.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import build
import mcu_build

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import PROTOCOL_VERSION

SOURCE = Path(__file__).with_name("hostile.cpp")
SANITIZED = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer"]
REST_MS = 120
# A table that a polite host would send, so that armed and turning are reached; the others stay at their start.
SANE: dict[str, int] = {
    "OVERSPEED_TICKS": 12_000,
    "VIBRATION_COUNTS": 2_000,
    "HEARTBEAT_MS": 200,
    "REST_MS": REST_MS - 20,
    "THROTTLE_SAFE_US": 1_000,
    "THROTTLE_MAX_US": 1_900,
    "SERVO_MIN_US": 1_000,
    "SERVO_MAX_US": 2_000,
    "SERVO_SAFE_US": 1_250,
    "THROTTLE_SLEW_US_PER_S": 0,
}


def header() -> str:
    """The slots as the host knows them, for the program to judge by."""
    lines = [f"enum {{ VERSION = {PROTOCOL_VERSION}, SLOTS = {len(LimitId)}, REST_MS = {REST_MS},"]
    lines += [f"  SAFE_CAP_US = {LimitId.THROTTLE_SAFE_US.highest},"]
    lines += [f"  LIMIT_{slot.name} = {slot.value}," for slot in LimitId]
    lines += ["};", "struct SlotRow { uint32_t lowest, highest, zero, sane; };", "const SlotRow SLOT_ROWS[] = {"]
    lines += [
        f"  {{{slot.lowest}u, {slot.highest}u, {int(slot.zero)}, {SANE.get(slot.name, slot.start)}u}},"
        for slot in LimitId
    ]
    return "\n".join(
        [
            *lines,
            "};",
            "#define IDENTITY {3, 1, 500, 1600, 3, 1, 3906, 1, 2147484}",
            "#define FURTHER_READINGS readings.supply_mv = 5000; readings.load_age_ms = 5;",
            "",
        ]
    )


def program() -> Path:
    """The program; built when a source changed."""
    build.require_tools("g++")
    sources = [*build.portable_sources(), SOURCE]
    flags = ["-std=gnu++11", "-O1", "-Wall", "-Wextra", "-Werror", *SANITIZED, f"-I{build.SKETCH}"]
    command = ["g++", *flags, *map(str, sources)]
    return mcu_build.built("hostile.bin", command, [*sources, *build.SKETCH.glob("*.h")], {"slots.h": header()})


def play(frames: int, seed: int) -> dict[str, Any]:
    """What was done in ``frames`` hostile frames; AssertionError with the rule that was broken."""
    run = subprocess.run([str(program()), str(frames), str(seed)], capture_output=True, text=True)
    assert run.returncode == 0, (run.stdout + run.stderr)[-4000:]
    result: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    return result


if __name__ == "__main__":
    arguments = [int(argument) for argument in sys.argv[1:]]
    for name, value in play(*(arguments + [10_000_000, 1][len(arguments) :])).items():
        print(f"{name:<18}{value}")
