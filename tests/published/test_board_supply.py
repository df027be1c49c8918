"""Supply, brown-out and converter of the boards' chips against their makers' data sheets.

Sources beside each check: *ATmega48/88/168* data sheet (read); the ATmega328P and ATmega2560 sheets' rows of the same
tables are quoted from memory, and said so. What follows from them is worked out here.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SKETCH = Path(__file__).resolve().parents[2] / "firmware_sketch"
WIRING, DRIVER = (SKETCH / "README.md").read_text(encoding="utf-8"), (SKETCH / "atmega.h").read_text(encoding="utf-8")

# BODLEVEL: least, typical, greatest volts (ATmega48/88/168 sheet, table of brown-out levels; the 328P's and 2560's rows
# are the same, from memory).
BROWN_OUT_V = {0b110: (1.7, 1.8, 2.0), 0b101: (2.5, 2.7, 2.9), 0b100: (4.1, 4.3, 4.5)}
# Safe operating area: a straight line of frequency over supply (328P, from memory: 10 MHz at 2.7 V, 20 MHz at 4.5 V).
LINE_328P = ((10.0, 2.7), (20.0, 4.5))
LEAST_2560_V = 4.5  # at 16 MHz; from memory


def least_supply_v(mhz: float) -> float:
    """Least supply of the ATmega328P at a clock, on that line."""
    (low_mhz, low_v), (high_mhz, high_v) = LINE_328P
    return low_v + (high_v - low_v) * (mhz - low_mhz) / (high_mhz - low_mhz)


def test_brown_out_levels_stand_in_the_wiring_page() -> None:
    """FS-3: the level that the page asks for, by its fuse and its volts."""
    assert BROWN_OUT_V[0b100][1] == 4.3
    assert re.search(r"4\.3 V", WIRING) and re.search(r"2\.7 V", WIRING)


def test_only_the_highest_brown_out_level_covers_16_mhz_and_not_on_the_2560() -> None:
    """FS-3b: what a level guards is its least value; stock fuses of 2.7 V guard neither chip at 16 MHz."""
    assert least_supply_v(16.0) == pytest.approx(3.78)
    assert BROWN_OUT_V[0b101][2] < least_supply_v(16.0) < LEAST_2560_V
    assert BROWN_OUT_V[0b100][0] > least_supply_v(16.0)
    assert BROWN_OUT_V[0b100][0] < LEAST_2560_V  # hence the device's own rule on its supply, SUPPLY_MV


def test_the_converters_clock_lies_where_its_accuracy_is_stated() -> None:
    """FS-3c: 50 to 1000 kHz, 2 LSB stated at 200 kHz, 13 clocks a conversion (ATmega328P sheet, table 28-7)."""
    assert re.search(r"125 kHz: 9600 conversions/s", DRIVER)
    prescaler = {("ADPS0", "ADPS1", "ADPS2"): 128}[tuple(sorted(set(re.findall(r"_BV\((ADPS\d)\)", DRIVER))))]
    clock_khz = 16_000 / prescaler
    assert clock_khz == 125.0 and 50.0 <= clock_khz <= 200.0
    assert clock_khz * 1000 / 13 == pytest.approx(9600, rel=0.01)
    assert pytest.approx(7.81e-3, rel=1e-3) == 2 * 4.0 / 1024  # 2 LSB at a reference of 4 V


def test_the_chips_own_reference_is_no_better_than_a_tenth() -> None:
    """FS-3c: bandgap 1.0 to 1.1 to 1.2 V, 9.1 %: said where the builder sets it."""
    assert pytest.approx(0.091, abs=5e-4) == (1.2 - 1.1) / 1.1
    choice = (SKETCH / "build_choice.h").read_text(encoding="utf-8")
    assert "REFERENCE_MV = 1100" in choice and "9 %" in choice
