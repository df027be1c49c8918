"""What columns hold beside good figures: impossible readings, gaps, extra channels, binary tables, units, mappings."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy import constants

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.csv_exchange import SLOW_NAMES, read_csv, write_csv
from whirlbench.recording.files import open_recording, read_run, write_run
from whirlbench.recording.foreign import LogFiles, Reading, keep_map, kept_map, parse_rule, read_log, read_logs
from whirlbench.recording.foreign.units_of_columns import FACTORS, FORCE, SPEED

ROWS = 300
AT = np.arange(ROWS) * 0.1
RPM = 2000.0 + 10.0 * np.arange(ROWS)


def log_with(tmp_path: Path, rpm: list[str], extra: str = "") -> Path:
    head = "Time (s),RPM" + (",ESC temp (°C)" if extra else "")
    lines = [f"{at:.1f},{value}{extra}" for at, value in zip(AT, rpm, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("bad", ["-4000", "inf", "1e9", "ERR"])
def test_a_few_impossible_readings_are_marked_with_their_rows(tmp_path: Path, bad: str) -> None:
    cells = [f"{value:.0f}" for value in RPM]
    cells[10] = cells[20] = bad
    log = read_log(log_with(tmp_path, cells), SLOW_NAMES, Reading(), ("rpm",))
    assert np.flatnonzero(np.isnan(log.channels["rpm"])).tolist() == [10, 20]
    assert any("rows 12, 22" in line and "gaps" in line for line in log.remarks)


def test_many_impossible_readings_are_refused(tmp_path: Path) -> None:
    cells = [f"{-value:.0f}" if place % 9 == 0 else f"{value:.0f}" for place, value in enumerate(RPM)]
    with pytest.raises(RecordingError, match=r'impossible \(-2000 in row 2; .*add --map "RPM=extra"'):
        read_log(log_with(tmp_path, cells), SLOW_NAMES, Reading(), ("rpm",))


def test_a_gap_in_time_is_told_with_its_row(tmp_path: Path) -> None:
    path = log_with(tmp_path, [f"{value:.0f}" for value in RPM])
    lines = path.read_text().splitlines()
    path.write_text("\n".join(lines[:100] + lines[160:]) + "\n")
    log = read_log(path, SLOW_NAMES, Reading(), ("rpm",))
    assert any("gaps in time before row 101" in line for line in log.remarks)


def test_extra_channels_live_through_recording_and_table(tmp_path: Path) -> None:
    path = log_with(tmp_path, [f"{value:.0f}" for value in RPM], ",23.5")
    imported = read_logs(LogFiles(path), Reading(), 1)
    target = tmp_path / "run.h5"
    write_run(target, imported.run, RunAttributes(origin="import of log.csv"))
    back = read_run(target)
    assert [(one.name, one.unit, one.description) for one in back.slow.extra] == [("esc_temp_c", "°C", "ESC temp (°C)")]
    assert (back.slow.extra[0].values == 23.5).all() and not back.problems
    assert back.between(1.0, 2.0).slow.extra[0].values.shape == (10,)
    assert any("SHA-256" in event.detail for event in back.events)
    with h5py.File(target) as file:
        dataset = file["slow/extra/esc_temp_c"]
        assert dataset.attrs["unit"].decode() == "°C" and dataset.attrs["time_base"] == b"slow/time_s"
    with open_recording(target) as recording:
        write_csv(recording, tmp_path / "tables")
    again = read_log(tmp_path / "tables" / "slow.csv", SLOW_NAMES, Reading(), ("rpm",))
    assert np.array_equal(again.channels["rpm"], back.slow.rpm) and again.extra[0].unit == "°C"


def test_parquet_and_hdf5_tables_are_read_with_their_units(tmp_path: Path) -> None:
    import pyarrow
    from pyarrow import parquet

    fields = [pyarrow.field("time", pyarrow.float64(), metadata={"unit": "ms"}), pyarrow.field("rpm", pyarrow.int32())]
    table = pyarrow.table([AT * 1e3, RPM.astype("i4")], schema=pyarrow.schema(fields))
    parquet.write_table(table, tmp_path / "log.parquet")
    with h5py.File(tmp_path / "log.h5", "w") as file:
        file.create_dataset("log/time", data=AT * 1e3).attrs["units"] = "ms"
        file.create_dataset("log/rpm", data=RPM)
    rows = np.array(list(zip(AT, RPM, strict=True)), dtype=[("t_s", "f8"), ("rpm", "f8")])
    with h5py.File(tmp_path / "fields.h5", "w") as file:
        file.create_dataset("table", data=rows)
    for name in ("log.parquet", "log.h5", "fields.h5"):
        log = read_log(tmp_path / name, SLOW_NAMES, Reading(), ("rpm",))
        np.testing.assert_allclose(log.times_s, AT)
        assert np.array_equal(log.channels["rpm"], RPM)


def test_an_hdf5_file_of_several_tables_or_a_recording_is_refused(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "two.h5", "w") as file:
        for name in ("a", "b"):
            file.create_dataset(f"{name}/time", data=AT)
            file.create_dataset(f"{name}/rpm", data=RPM)
    with pytest.raises(RecordingError, match="found 2 tables"):
        read_log(tmp_path / "two.h5", SLOW_NAMES, Reading())
    write_run(
        tmp_path / "run.h5", read_logs(LogFiles(log_with(tmp_path, ["2000"] * ROWS)), Reading(), 1).run, RunAttributes()
    )
    with pytest.raises(RecordingError, match="is a recording already"):
        read_log(tmp_path / "run.h5", SLOW_NAMES, Reading())


def test_units_against_published_constants() -> None:
    """CODATA and the definitions of the pound and standard gravity, as scipy.constants states them."""
    assert FACTORS[FORCE]["kgf"] == constants.kgf and FACTORS[FORCE]["lbf"] == pytest.approx(constants.lbf, rel=1e-15)
    assert FACTORS[FORCE]["ozf"] == pytest.approx(constants.lbf / 16, rel=1e-15)
    assert FACTORS[SPEED]["hz"] == constants.minute and FACTORS[SPEED]["rad/s"] == pytest.approx(30 / constants.pi)


@pytest.mark.parametrize(
    ("text", "factor", "offset"),
    [
        ("Time(ms)=t_s*0.001", 0.001, 0.0),
        ("A=b=thrust_n*kgf", constants.kgf, 0.0),
        ("Thr=throttle_us*8+1100", 8.0, 1100.0),
        ("N=rpm*rev/min*100", 100.0, 0.0),
        ("eRPM=rpm/7", 1 / 7, 0.0),
        ("P=pitch_deg*2e-1-3.5", 0.2, -3.5),
    ],
)
def test_rules_of_the_user(text: str, factor: float, offset: float) -> None:
    rule = parse_rule(text)
    assert rule.factor == pytest.approx(factor, rel=1e-15) and rule.offset == offset


@pytest.mark.parametrize("text", ["Time", "=t_s", "x=speed", "x=rpm*kgf", "x=rpm*0", "x=t_s*", "x=t_s*nan"])
def test_rules_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(RecordingError, match="--map"):
        parse_rule(text)


def test_mappings_are_kept_by_name(tmp_path: Path) -> None:
    path = tmp_path / "maps" / "kept.toml"
    keep_map("blue logger", ["N=rpm"], {"separator": ";"}, path)
    keep_map("other", ["T=t_s*ms"], {}, path)
    assert kept_map("blue logger", path).rules == ("N=rpm",) and kept_map("blue logger", path).settings == {
        "separator": ";"
    }
    with pytest.raises(RecordingError, match="blue logger, other"):
        kept_map("green", path)


def test_our_own_tables_are_read_by_either_reader_alike(tmp_path: Path) -> None:
    path = tmp_path / "slow.csv"
    path.write_text("t_s,rpm,thrust_n\n0,1000,1.25\n0.1,,2.5\n0.2,1200,\n")
    own, foreign = read_csv(path).slow, read_logs(LogFiles(path), Reading(), 1).run.slow
    for name in ("rpm", "thrust_n"):
        assert np.array_equal(own.channel(name), foreign.channel(name), equal_nan=True)
