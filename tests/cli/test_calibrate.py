"""`calibrate`: known points in, figures with errors out, the rig written with its comments; bad points refused."""

from __future__ import annotations

import json
import re

import pytest

from whirlbench.cli.main import run
from whirlbench.rig.toml import example_rig_text, read_rig

COMMENT = "protractor on the blade, propeller at rest"  # stands beside [pitch] in the example
AXES = ("ax_g", "ay_g", "az_g")


def line(values, zero, slope):
    ways = [*values, *reversed(values[:-1])]
    return ["value,counts", *(f"{value},{zero + slope * value}" for value in ways)]


def held(axis, side):
    return ",".join(str(256 * (1 if side == "up" else -1) if name == axis else 3) for name in AXES)


POINTS = {
    "thrust_n": line([0, 20, 40, 60, 80], 84000, 8000),
    "current_a": line([0, 10, 20, 40], 512, 3.0),
    "voltage_v": line([20, 30, 35, 42], 0, 20.0),
    "pitch_deg": line([-4, 2, 8, 14, 20, 26], 268, 22.0),
    "pitch": [
        "pulse_us,angle_deg,from",
        *(f"{pulse},{(pulse - 1000) * 0.03 - 4 + off},{side}" for side, off in (("below", -0.1), ("above", 0.1))
          for pulse in (1000, 1200, 1400, 1600, 1800, 2000)),
    ],
    "vibration": ["axis,side,ax_g,ay_g,az_g", *(f"{a},{s},{held(a, s)}" for a in AXES for s in ("up", "down"))],
    "tach": ["known_rpm,read_rpm", *(f"{rpm},{rpm / 1.003}" for rpm in (2000, 3000, 4000, 5000))],
    "throttle": ["pulse_us,rpm", *(f"{p},{0 if p < 1100 else min(p - 1050, 800) * 10}" for p in range(900, 2001, 20))],
    "transmitter": ["travel_pct,pulse_us", *(f"{pct},{1512 + 4.1 * pct}" for pct in (-100, -50, 0, 50, 100))],
}  # fmt: skip
WRITTEN = {
    "thrust_n": ("calibration.thrust_n.units_per_count", 1 / 8000),
    "current_a": ("calibration.current_a.zero_counts", 512),
    "voltage_v": ("calibration.voltage_v.units_per_count", 0.05),
    "pitch_deg": ("calibration.pitch_deg.units_per_count", 1 / 22),
    "pitch": ("pitch.play_deg", 0.2),
    "vibration": ("vibration.g_per_count", 1 / 256),
    "tach": ("tach.clock_correction", 1.003),
    "throttle": ("throttle.min_us", 1100),
    "transmitter": ("transmitter.full_travel_us", 410),
}


@pytest.fixture
def rig_path(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(example_rig_text(), encoding="utf-8")
    return path


@pytest.fixture
def calibrate(tmp_path, rig_path):
    """Runs the verb on the given rows; the rig is written over itself."""

    def calibrated(channel: str, rows: list[str], *options: str) -> int:
        points = tmp_path / "points.csv"
        points.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return run(["calibrate", channel, "--rig", str(rig_path), "--points", str(points), *options])

    return calibrated


def value_at(rig, path):
    for part in path.split("."):
        rig = rig[part] if isinstance(rig, dict) else getattr(rig, part)
    return rig


@pytest.mark.parametrize("channel", list(POINTS))
def test_every_channel_is_fitted_and_written(calibrate, rig_path, capsys, channel):
    status = calibrate(channel, POINTS[channel], "--rig-out", str(rig_path), "--date", "2026-05-01", "--json")

    assert status == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] in ("judged", "in part")
    path, value = WRITTEN[channel]
    assert value_at(read_rig(rig_path)[0], path) == pytest.approx(value, rel=1e-3)
    assert COMMENT in rig_path.read_text(encoding="utf-8")


def test_without_rig_out_the_rig_is_left_alone(calibrate, rig_path, capsys):
    before = rig_path.read_bytes()

    assert calibrate("thrust_n", POINTS["thrust_n"]) == 0

    assert rig_path.read_bytes() == before
    assert "counts" in capsys.readouterr().out


def test_what_was_written_is_entered_in_the_log_of_the_fitted_set(calibrate, rig_path, tmp_path, capsys):
    log = tmp_path / "sets.sqlite"
    written = ("--rig-out", str(rig_path), "--date", "2026-05-01", "--log", str(log), "--operator", "A. Tester")
    assert calibrate("tach", POINTS["tach"], *written) == 0
    assert "no log yet: the first run of moulded enters" in capsys.readouterr().err and not log.exists()

    assert run(["log", "--log", str(log), "add", "--rig", str(rig_path), "--inspection", "sound"]) == 0
    assert calibrate("thrust_n", POINTS["thrust_n"], *written) == 0
    capsys.readouterr()
    assert run(["log", "--log", str(log), "--rig", str(rig_path), "--json"]) == 0

    told = json.loads(capsys.readouterr().out)
    assert "thrust_n, 2026-05-01: zero 84000 ± " in told["calibrations"]["thrust_n"]
    assert "tach, 2026-05-01: " in told["calibrations"]["tach"]
    assert told["entries"][-1]["operator"] == "A. Tester"
    assert calibrate("thrust_n", POINTS["thrust_n"], *written) == 0
    assert "0 calibrations entered" in capsys.readouterr().err  # the same again is no news


def test_a_log_that_cannot_be_written_is_said_and_the_rig_stays_written(calibrate, rig_path, tmp_path, capsys):
    (tmp_path / "sets.sqlite").write_text("not a log")

    status = calibrate("tach", POINTS["tach"], "--rig-out", str(rig_path), "--log", str(tmp_path / "sets.sqlite"))

    assert status == 2 and "is written, but the log has no entry of it" in capsys.readouterr().err
    assert read_rig(rig_path)[0].tach.clock_correction == pytest.approx(1.003)


@pytest.mark.parametrize("channel", ["tach", "vibration", "throttle", "transmitter", "pitch"])
def test_day_and_standard_errors_are_written_for_every_part(calibrate, rig_path, channel):
    rows = POINTS[channel]
    calibrate(channel, rows, "--rig-out", str(rig_path), "--date", "2026-05-01")
    part = getattr(read_rig(rig_path)[0], channel)

    assert part.date == "2026-05-01"
    if channel in ("tach", "vibration"):
        assert part.stderr_pct is not None
    if channel == "vibration":
        assert part.stderr_pct == pytest.approx(100 / 12**0.5 / 2**0.5 / 256)  # a whole count, of two readings
    if channel == "transmitter":
        assert part.stderr_middle_us is not None and part.stderr_full_travel_us is not None
    if channel == "pitch":
        assert part.play_stderr_deg is not None


def changed(channel: str, row: int, text: str | None) -> list[str]:
    rows = list(POINTS[channel])
    rows[row : row + 1] = [] if text is None else [text]
    return rows


BAD = [
    ("thrust_n", ["value,counts"], "at least 3"),
    ("thrust_n", [], "empty|columns are"),
    ("thrust_n", changed("thrust_n", 0, "value,count"), "the columns are value, count"),
    ("thrust_n", changed("thrust_n", 2, "20,"), "row 3, counts is ''"),
    ("thrust_n", changed("thrust_n", 2, "20,inf"), "row 3, counts is 'inf'"),
    ("thrust_n", changed("thrust_n", 2, "20"), "row 3 has 1 cells"),
    ("thrust_n", changed("thrust_n", 2, "50,244000"), "point 2 was given as 50 N, but reads as 20"),
    ("thrust_n", changed("thrust_n", 3, "40,8388607"), "an end of the converter"),
    ("current_a", changed("current_a", 2, "10,0"), "an end of the converter"),
    ("pitch_deg", changed("pitch_deg", 3, "8,1023"), "point 3 reads 1023 counts, an end of the converter"),
    ("pitch", changed("pitch", 3, "1400,14,below"), "at 1400 us the angles .* apart, elsewhere"),
    ("voltage_v", line([20, 30, 35, 42], 500, 0.0), "does not answer"),
    ("pitch", changed("pitch", 3, "1400,25,below"), "at 1400 us the angles .* 16.9 degrees apart, elsewhere 0.2"),
    ("pitch", changed("pitch", 3, "1400,8,left"), "from is 'left': expected below or above"),
    ("pitch", changed("pitch", 3, "14000,8,below"), "500 to 2500"),
    ("vibration", changed("vibration", 1, "ax_g,up,3,256,3"), "ax_g"),
    ("vibration", changed("vibration", 1, None), "ax_g"),
    ("tach", changed("tach", 2, "3000,5000"), "reading 2"),
    ("throttle", ["pulse_us,rpm", *(f"{pulse},3000" for pulse in range(900, 1300, 20))], "turns at 900 us already"),
    ("transmitter", changed("transmitter", 3, "0,1590"), "point 3 was given as 0 %"),
]


@pytest.mark.parametrize(("channel", "rows", "complaint"), BAD)
def test_bad_points_are_one_line_and_write_nothing(calibrate, rig_path, capsys, channel, rows, complaint):
    before = rig_path.read_bytes()

    assert calibrate(channel, rows, "--rig-out", str(rig_path)) == 2

    told = capsys.readouterr().err.strip()
    assert "\n" not in told
    assert re.search(complaint, told), told
    assert rig_path.read_bytes() == before
