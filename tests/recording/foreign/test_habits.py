"""Foreign logs of different habits: imported right, or refused in one line that names the option to add.

The habits are made up here; no logger's format is copied. Every file holds the same run, so that one truth judges all.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from whirlbench.errors import RecordingError
from whirlbench.recording.csv_exchange import SLOW_NAMES
from whirlbench.recording.foreign import Form, PulseScales, Reading, parse_rule, read_log

ROWS = 240
TIME_S = np.arange(ROWS) / 10.0
RPM = np.round(2000.0 + 1500.0 * np.sin(TIME_S / 3.0) ** 2 + 400.0 * (TIME_S > 12.0))
CURRENT_A = np.round(0.01 * (RPM / 10.0) ** 1.3, 2)
VOLTAGE_V = np.round(40.0 - 0.03 * CURRENT_A, 2)
THRUST_N = np.round(4e-6 * RPM**2, 2)
THROTTLE_PCT = np.round(RPM / 50.0, 1)
G = 9.80665


def number(value: float, decimals: int, comma: bool = False, thousands: str = "") -> str:
    text = f"{value:,.{decimals}f}".replace(",", "T").replace(".", "," if comma else ".")
    return text.replace("T", thousands)


def table(head: list[str], columns: list[np.ndarray], decimals: list[int], sep: str = ",", **style: object) -> str:
    rows = [
        sep.join(number(value, places, **style) for value, places in zip(row, decimals, strict=True))
        for row in zip(*columns, strict=True)
    ]
    return "\n".join([sep.join(head), *rows]) + "\n"


NO_FORM, NO_SCALES = Form(), PulseScales()


@dataclass(frozen=True)
class Habit:
    """A file, what is told of it, and either the channels to be found or words of the refusal."""

    name: str
    raw: bytes
    finds: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    refuses: tuple[str, ...] = ()
    form: Form = NO_FORM
    pulses: PulseScales = NO_SCALES
    rate_hz: float | None = None


def clock(seconds: float, offset_s: float = 86390.0) -> str:
    whole = (seconds + offset_s) % 86400.0
    return f"{int(whole // 3600):02d}:{int(whole // 60) % 60:02d}:{whole % 60:06.3f}"


FOUR = [TIME_S, RPM, CURRENT_A, VOLTAGE_V]
ALL4 = ("rpm", "current_a", "voltage_v")
PLAIN = table(["Time (s)", "RPM", "Current (A)", "Voltage (V)"], FOUR, [1, 0, 2, 2])
MS = table(
    ["Time(ms)", "RPM", "Current (mA)", "Voltage [mV]"],
    [TIME_S * 1e3, RPM, CURRENT_A * 1e3, VOLTAGE_V * 1e3],
    [0, 0, 0, 0],
)
COMMA = table(["Time [s]", "Motor speed [1/min]", "Current [A]", "Voltage [V]"], FOUR, [1, 0, 2, 2], ";", comma=True)
GROUPED = table(
    ["time_s", "shaft speed rpm", "Current A"], [TIME_S, RPM, CURRENT_A], [1, 0, 2], ";", comma=True, thousands="."
)
BODY = PLAIN.split("\n", 1)[1]
with_units_row = "Time,Motor RPM,Current,Voltage,Temp\ns,rpm,A,V,°C\n" + "".join(
    f"{line},23.5\n" for line in BODY.splitlines()
)
clocked = "Clock\tRPM\tThrust (kgf)\n" + "".join(
    f"{clock(t)}\t{r:.0f}\t{f / G:.4f}\n" for t, r, f in zip(TIME_S, RPM, THRUST_N, strict=True)
)
dated = "Timestamp,rpm\n" + "".join(
    f"2026-03-01T23:59:{t + 40:06.3f}Z,{r:.0f}\n" for t, r in zip(TIME_S[:190], RPM, strict=False)
)
in_cells = "Time (s);RPM;Current;Voltage\n" + "".join(
    f"{t:.1f};{r:.0f};{a:.2f} A;{v:.2f} V\n" for t, r, a, v in zip(*FOUR, strict=True)
)
quoted = '"Time, s","RPM","Thrust (g)"\n' + "".join(
    f'"{t:.1f}"|"{r:.0f}"|"{f / G * 1e3:.1f}"\n'.replace("|", ",")
    for t, r, f in zip(TIME_S, RPM, THRUST_N, strict=True)
)
percent = table(["Time (s)", "RPM", "Throttle (%)"], [TIME_S, RPM, THROTTLE_PCT], [1, 0, 1])
blank_separated = "# t  rpm  thrust_n\n" + "".join(
    f"  {t:8.3f} {r:9.1f}  {f:8.3f}\n" for t, r, f in zip(TIME_S, RPM, THRUST_N, strict=True)
)
trailing = PLAIN.replace("\n", ",\n")
doubled_seconds = "Time (s),RPM\n" + "".join(f"{int(t)},{r:.0f}\n" for t, r in zip(TIME_S, RPM, strict=True))
twice = table(
    ["Time (s)", "RPM", "Motor current (A)", "Pack current (A)"], [TIME_S, RPM, CURRENT_A * 2, CURRENT_A], [1, 0, 2, 2]
)
comma_in_comma = table(["Time", "RPM", "Current"], [TIME_S, RPM, CURRENT_A], [1, 0, 2], ",", comma=True)
comma_in_comma = "Time (s),RPM,Current (A)\n" + comma_in_comma.split("\n", 1)[1]
electrical = table(["Time (s)", "eRPM", "Current (A)"], [TIME_S, RPM * 7, CURRENT_A], [1, 0, 2])

HUNDREDS = table(["Time (s)", "RPM x100"], [TIME_S, RPM / 100], [1, 2])
POUNDS = table(
    ["Time (s)", "Rotor speed (Hz)", "Thrust (lbf)"], [TIME_S, RPM / 60, THRUST_N / 4.4482216152605], [1, 6, 5]
)
OTHER_NAMES = PLAIN.replace("Current (A)", "Strom").replace("RPM", "Drehzahl")
BARE_THRUST = table(["Time (s)", "RPM", "Thrust"], [TIME_S, RPM, THRUST_N], [1, 0, 2])
MAY_GROUP = table(["t_s", "rpm"], [np.arange(ROWS) + 1.001, RPM / 1000], [3, 3], ";", comma=True)
MONTHS = PLAIN + "10000000.0,2000,5,40\n"
MS_AS_S = MS.replace("Time(ms)", "Time(s)")
VIBRATION = PLAIN.replace("Voltage (V)", "Vib_g")
EITHER = '--map "Motor current (A)=current_a" or --map "Pack current (A)=current_a"'
TRAVEL = ("--rig RIG", '--map "Throttle (%)=throttle_us*8+1100"')

HABITS = (
    Habit("plain seconds", PLAIN.encode(), ALL4),
    Habit("milliseconds, milliamps, millivolts", MS.encode(), ALL4),
    Habit("semicolons and decimal commas", COMMA.encode(), ALL4),
    Habit("a byte order mark and Windows line ends", b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode(), ALL4),
    Habit("UTF-16", PLAIN.encode("utf-16"), ALL4),
    Habit("Windows-1252 with a degree sign", with_units_row.encode("cp1252"), ALL4),
    Habit("a preamble above the headings", ("Log 12\nset: moulded\n\n" + PLAIN).encode(), ALL4),
    Habit("thousands grouped by points", GROUPED.encode(), ("rpm", "current_a")),
    Habit("times of the clock over midnight, tabs, kilograms-force", clocked.encode(), ("rpm", "thrust_n")),
    Habit("dates with times", dated.encode(), ("rpm",)),
    Habit("units behind every figure", in_cells.encode(), ALL4),
    Habit("quoted cells, grams-force, a comma in the heading", quoted.encode(), ("rpm", "thrust_n")),
    Habit("percent of travel with a rig", percent.encode(), ("rpm", "throttle_us"), pulses=PulseScales((1100.0, 8.0))),
    Habit("blanks, and a comment sign before the headings", blank_separated.encode(), ("rpm", "thrust_n")),
    Habit("a separator at the end of every line", trailing.encode(), ALL4),
    Habit("no headings, told", BODY.encode(), ALL4, form=Form.of_options(columns="t_s,rpm,current_a,voltage_v")),
    Habit("seconds without decimals, rate told", doubled_seconds.encode(), ("rpm",), rate_hz=10.0),
    Habit("rpm in hundreds", HUNDREDS.encode(), ("rpm",)),
    Habit("pounds-force and hertz", POUNDS.encode(), ("rpm", "thrust_n")),
    Habit("names of another language, mapped", OTHER_NAMES.encode(), ALL4, ("Strom=current_a", "Drehzahl=rpm")),
    Habit("a footer cut off", (PLAIN + "24.0,20").encode(), ALL4),
    Habit("electrical speed, mapped", electrical.encode(), ("rpm", "current_a"), ("eRPM=rpm/7",)),
    Habit("extra, mapped", VIBRATION.encode(), ALL4[:2], ("Vib_g=extra",)),
    # --- refused
    Habit("slow acceleration, mapped", VIBRATION.encode(), (), ("Vib_g=ax_g",), ("--vibration", "Vib_g=extra")),
    Habit("percent of travel without a rig", percent.encode(), refuses=TRAVEL),
    Habit("no headings", BODY.encode(), refuses=('--columns "t_s,rpm,column_3,column_4"',)),
    Habit("names of another language", PLAIN.replace("RPM", "Drehzahl").encode(), refuses=('--map "Drehzahl=rpm"',)),
    Habit("thrust without a unit", BARE_THRUST.encode(), refuses=('--map "Thrust=thrust_n*kgf"',)),
    Habit("two currents", twice.encode(), refuses=(EITHER,)),
    Habit("electrical speed", electrical.encode(), refuses=('--map "eRPM=rpm/POLE_PAIRS"',)),
    Habit("decimal commas between commas", comma_in_comma.encode(), refuses=("semicolons or tabs",)),
    Habit("seconds without decimals", doubled_seconds.encode(), refuses=("--rate 10",)),
    Habit("milliseconds called seconds", MS_AS_S.encode(), refuses=('--map "Time(s)=t_s*0.001"',)),
    Habit("marks that may group thousands", MAY_GROUP.encode(), refuses=("--decimal ,", "--decimal .")),
    Habit("two runs in one file", (PLAIN + PLAIN).encode(), refuses=(f"row {ROWS + 2} repeats the headings",)),
    Habit("time that runs back", (PLAIN + BODY).encode(), refuses=(f"row {ROWS + 2}", "runs back")),
    Habit("a pause of months", MONTHS.encode(), refuses=(f"before row {ROWS + 2}", "cut the file")),
)  # fmt: skip
TRUTH = {
    "rpm": RPM,
    "current_a": CURRENT_A,
    "voltage_v": VOLTAGE_V,
    "thrust_n": THRUST_N,
    "throttle_us": 1100.0 + 8.0 * THROTTLE_PCT,
}
RIGHT = [habit for habit in HABITS if not habit.refuses]
REFUSED = [habit for habit in HABITS if habit.refuses]


def reading(habit: Habit) -> Reading:
    return Reading(habit.form, tuple(map(parse_rule, habit.rules)), habit.pulses, habit.rate_hz)


def test_there_are_twenty_habits_and_more() -> None:
    assert len(RIGHT) >= 20 and len(REFUSED) >= 10


@pytest.mark.parametrize("habit", RIGHT, ids=lambda habit: habit.name)
def test_a_habit_is_imported_right(tmp_path: Path, habit: Habit) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(habit.raw)
    log = read_log(path, SLOW_NAMES, reading(habit), ("rpm",))
    assert set(log.channels) == set(habit.finds)
    rows = len(log.times_s)
    assert rows in (ROWS, 190)
    np.testing.assert_allclose(log.times_s, TIME_S[:rows], atol=2e-3)
    for name in habit.finds:
        np.testing.assert_allclose(log.channels[name], TRUTH[name][:rows], rtol=2e-4, atol=6e-3, err_msg=name)


@pytest.mark.parametrize("habit", REFUSED, ids=lambda habit: habit.name)
def test_a_habit_is_refused_in_one_line_with_the_option_to_add(tmp_path: Path, habit: Habit) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(habit.raw)
    with pytest.raises(RecordingError) as refusal:
        read_log(path, SLOW_NAMES, reading(habit), ("rpm",))
    text = str(refusal.value)
    assert "\n" not in text and text.startswith(str(path))
    assert all(words in text for words in habit.refuses), text
