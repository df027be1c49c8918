"""What the terminal shows while the propeller turns: every reading with its error, every prolonged one marked."""

from __future__ import annotations

import io

from rich.console import Console

from whirlbench.cli.spin_screen import _readings
from whirlbench.rig.description import Calibration, Pitch, Rig, Tach, Vibration

CELL = Calibration(unit="N", units_per_count=0.1, stderr_zero=0.5, span=(0.0, 40.0))
RIG = Rig(
    calibration={"thrust_n": CELL, "current_a": Calibration(unit="A", units_per_count=0.1)},
    tach=Tach(stderr_pct=0.1), vibration=Vibration(stderr_pct=2.0),
    pitch=Pitch(table=((1000.0, -4.0), (2000.0, 26.0)), stderr_deg=0.2),
)  # fmt: skip


def shown(**values: float) -> str:
    console = Console(file=io.StringIO(), width=200)
    console.print(_readings(values, RIG))
    return " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]


def test_every_reading_is_shown_with_its_error() -> None:
    line = shown(rpm=5000.0, current_a=20.0, thrust_n=30.0, pitch_deg=8.0, vibration_g_rms=1.0)
    assert line == "5000 ± 5 rpm 20.0 A 30.0 ± 0.5 N 8.0 ± 0.2 deg 1.00 ± 0.02 g rms"


def test_a_reading_beyond_its_calibration_is_marked() -> None:
    assert shown(thrust_n=50.0, pitch_deg=30.0) == "50.0 ± 0.5 N prolonged 30.0 ± 0.2 deg prolonged"
