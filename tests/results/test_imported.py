"""An import in words: columns that could be more, with the option that takes them; acceleration that is not used."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from whirlbench.recording.foreign import ImportedRun, LogFiles, Reading, parse_rule, read_logs
from whirlbench.results.answer import Level
from whirlbench.results.imported import import_answer


def imported(folder: Path, heading: str, *maps: str) -> ImportedRun:
    """A slow log with one more column of that heading."""
    path = folder / "log.csv"
    rows = "".join(f"{number / 10},{3000 + number},{10 + number}\n" for number in range(20))
    path.write_text(f"Time [s],RPM,{heading}\n{rows}", encoding="utf-8")
    return read_logs(LogFiles(path), Reading(rules=tuple(map(parse_rule, maps))), 1)


def cautions(run: ImportedRun) -> list[str]:
    return [remark.text for remark in import_answer(run, None).remarks if remark.level is Level.CAUTION]


@pytest.mark.parametrize(
    ("heading", "channels"),
    [
        ("Ibat [A]", ["current_a"]), ("Ubat (V)", ["voltage_v"]), ("Zug [g]", ["thrust_n"]),
        ("Stick [%]", ["servo_us", "throttle_us"]), ("Want (rpm)", ["speed_request_rpm"]),
    ],
)  # fmt: skip
def test_a_unit_that_fits_a_free_channel_is_proposed_with_the_option_that_takes_it(
    tmp_path: Path, heading: str, channels: list[str]
) -> None:
    (text,) = cautions(imported(tmp_path, heading))
    options = re.findall(r'--map "([^"]+)"', text)
    assert options == [f"{heading}={channel}" for channel in channels]
    for option in options[: 1 if "%" not in heading else 0]:  # a share of travel needs the rig's end points as well
        assert set(imported(tmp_path, heading, option).logs[0].channels) == {"rpm", channels[0]}


@pytest.mark.parametrize("heading", ["Temp [°C]", "Current [A]", "Voltage [V]", "Mode"])
def test_a_column_that_is_taken_or_could_be_none_is_not_proposed(tmp_path: Path, heading: str) -> None:
    assert cautions(imported(tmp_path, heading)) == []


def test_a_column_that_somebody_left_as_extra_is_not_asked_about_again(tmp_path: Path) -> None:
    assert cautions(imported(tmp_path, "Ibat [A]", "Ibat [A]=extra")) == []


@pytest.mark.parametrize("heading", ["ax [g]", "Vibration", "Accel Z (m/s2)", "Shock [mg]"])
def test_slow_acceleration_is_said_to_be_unused_and_why(tmp_path: Path, heading: str) -> None:
    (text,) = cautions(imported(tmp_path, heading))
    assert f"column {heading!r} is not used" in text and "--vibration" in text and "--map" not in text
