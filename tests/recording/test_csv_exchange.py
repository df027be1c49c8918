"""CSV in and out: round trips, gaps, and every kind of bad input named in one line."""

import csv
import dataclasses
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_run import made_up, record

from whirlbench.errors import RecordingError
from whirlbench.recording import csv_table, reader
from whirlbench.recording.csv_exchange import read_csv, write_csv
from whirlbench.recording.files import open_recording, read_run
from whirlbench.rig.toml import example_rig_text
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples

GOOD = "t_s,rpm,current_a\n0,1000,1.5\n0.1,,2.5\n0.2,1200,\n"


def written(folder, text, name="slow.csv", encoding="utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
    return path


def same(first: Run, second: Run):
    for stream in ("slow", "tach", "vibration"):
        one, other = getattr(first, stream), getattr(second, stream)
        for name, values in vars(one).items():
            if isinstance(values, np.ndarray):
                assert np.array_equal(values, getattr(other, name), equal_nan=True), f"{stream}.{name}"
            else:
                assert values == getattr(other, name), f"{stream}.{name}"


def test_empty_cells_are_gaps(tmp_path):
    run = read_csv(written(tmp_path, GOOD))
    assert run.slow.time_s.tolist() == [0, 0.1, 0.2]
    assert np.array_equal(run.slow.rpm, [1000, np.nan, 1200], equal_nan=True)
    assert np.array_equal(run.slow.current_a, [1.5, 2.5, np.nan], equal_nan=True)
    assert not run.slow.has("thrust_n") and len(run.tach.time_s) == len(run.vibration.time_s) == 0


@pytest.mark.parametrize(
    "text",
    [
        GOOD.replace("\n", "\r\n"),
        "\ufeff" + GOOD,
        GOOD.rstrip("\n"),
        GOOD + "\n\n",
        GOOD.replace(",", " , "),
        GOOD.replace("t_s,rpm", '"t_s","rpm"'),
        GOOD.replace("0.1,,2.5", "0.1,nan,2.5"),
        "rpm,t_s,current_a\n1000,0,1.5\n,0.1,2.5\n1200,0.2,\n",
    ],
)
def test_harmless_variations_read_the_same(tmp_path, text):
    same(read_csv(written(tmp_path, text)), read_csv(written(tmp_path, GOOD, "good.csv")))


def test_many_gaps_in_a_row_keep_their_columns(tmp_path):
    text = "t_s,rpm,current_a,voltage_v,thrust_n\n0,,,,\n1,,2,,\n2,5,,,7\n3,,,4,\n"
    slow = read_csv(written(tmp_path, text)).slow
    assert np.array_equal(slow.rpm, [np.nan, np.nan, 5, np.nan], equal_nan=True)
    assert np.array_equal(slow.current_a, [np.nan, 2, np.nan, np.nan], equal_nan=True)
    assert np.array_equal(slow.voltage_v, [np.nan, np.nan, np.nan, 4], equal_nan=True)
    assert np.array_equal(slow.thrust_n, [np.nan, np.nan, 7, np.nan], equal_nan=True)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (GOOD.replace("1200", "12OO"), "row 4, column rpm: '12OO' is not a number; expected digits"),
        (GOOD.replace("2.5", "inf"), "row 3, column current_a: 'inf' is not a number"),
        (GOOD.replace("2.5", "1_000"), "row 3, column current_a: '1_000' is not a number"),
        (GOOD.replace("2.5", "0x10"), "row 3, column current_a: '0x10' is not a number"),
        (GOOD.replace("2.5", "1e999"), "row 3, column current_a"),
        (GOOD.replace("1.5", "1,5"), "row 2 has 4 cells; expected 3 as in the header; decimal commas? write '.'"),
        (GOOD.replace("0.2,1200,", "0.2,1200"), "row 4 has 2 cells; expected 3"),
        (GOOD.replace(",", ";").replace(".", ","), "row 1 is separated by semicolons; save it again with comma"),
        (GOOD.replace("current_a", "rmp"), "row 1: unknown column 'rmp'; expected any of t_s, rpm, current_a"),
        (GOOD.replace("current_a", "rpm"), "row 1: column rpm is there 2 times"),
        (GOOD.replace("rpm", "voltage_v"), "row 1: column rpm is missing; found t_s, voltage_v, current_a"),
        (GOOD.replace("0.2,", "0.05,"), "row 4, column t_s: 0.05 does not come after 0.1 in the row before"),
        (GOOD.replace("0.2,", "0.1,"), "row 4, column t_s: 0.1 does not come after 0.1"),
        (GOOD.replace("0.1,,", ",,"), "row 3, column t_s: is empty; expected a time in s"),
        (GOOD.replace("0.1,,", "\n\n0.1,x,"), "row 5, column rpm: 'x' is not a number"),
        ("", "row 1 is empty; expected a header with t_s, rpm"),
        ("t_s,rpm\n", "has a header but no rows"),
        ("# comment\nt_s,rpm\n0,1\n", "row 1: unknown column '# comment'"),
        (GOOD.encode("utf-16"), "is not text in UTF-8"),
        (b"t_s,rpm\n0,\x00\n", "holds zero bytes"),
    ],
)  # fmt: skip
def test_bad_input_is_one_line_with_file_row_column_value_and_what_was_expected(tmp_path, text, expected):
    path = written(tmp_path, text)
    with pytest.raises(RecordingError) as caught:
        read_csv(path)
    assert str(caught.value).startswith(f"{path}: ") and expected in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_absent_file_is_one_line(tmp_path):
    with pytest.raises(RecordingError, match="absent.csv: cannot be read"):
        read_csv(tmp_path / "absent.csv")


finite = st.floats(allow_nan=False, allow_infinity=False)


@settings(max_examples=30)
@given(st.lists(st.tuples(finite | st.just(np.nan), finite), min_size=1, max_size=20), st.floats(0.001, 10.0))
def test_any_numbers_survive_the_round_trip(tmp_path_factory, rows, step_s):
    folder = tmp_path_factory.mktemp("round")
    time_s = 0.1 + step_s * np.arange(len(rows))
    run = Run(
        slow=SlowSamples(time_s, rpm=np.array([row[0] for row in rows]), thrust_n=np.array([row[1] for row in rows]))
    )
    write_csv(run, folder)
    same(read_csv(folder / "slow.csv"), run)


def full_run() -> Run:
    rng = np.random.default_rng(2)
    slow_s = 0.3 + np.arange(500) / 500
    vibration_s = np.delete(0.3 + np.arange(1600) / 1600, slice(700, 716))  # a lost block
    counts = rng.normal(0, 80, (3, len(vibration_s))).astype(np.int16)
    return Run(
        slow=SlowSamples(slow_s, rpm=rng.normal(6000, 5, 500), pitch_deg=np.where(slow_s > 0.5, 11.25, np.nan)),
        tach=TachPulses(0.3 + np.cumsum(rng.uniform(0.0099, 0.0101, 90)), 2),
        vibration=VibrationSamples(vibration_s, *(counts * 0.0039).astype(np.float32), rate_hz=1600.0),
        events=(Event(0.5, "trip", "overspeed", 'said "stop", at once'),),
        rig_text=example_rig_text(),
    )


def test_all_files_survive_the_round_trip_bit_for_bit(tmp_path):
    run = full_run()
    files = write_csv(run, tmp_path)
    assert [path.name for path in files] == [
        "slow.csv",
        "vibration.csv",
        "tach.csv",
        "events.csv",
        "rig.toml",
        "calibrations.csv",
    ]
    back = read_csv(*files[:3], pulses_per_rev=2, events=files[3])
    same(back, run)
    assert back.events == run.events
    assert back.vibration.ax_g.dtype == np.float32
    assert (tmp_path / "events.csv").read_text().splitlines()[1] == '0.5,trip,overspeed,"said ""stop"", at once"'


CALIBRATED = 'span = [0.0, 80.0]\nresidual = 0.3\nstderr_zero = 0.08\ndate = "2026-05-01"\nstderr_gain_pct = 0.4\n'


def calibrated_run():
    run = full_run()
    thrust = run.rig_text.partition("[calibration.thrust_n]")[2]
    known = thrust.replace("stderr_gain_pct = 0.4\n", CALIBRATED, 1)
    return dataclasses.replace(run, rig_text=run.rig_text.replace(thrust, known))


def test_calibrations_go_out_with_their_standard_errors_and_what_is_unknown_is_empty(tmp_path):
    write_csv(calibrated_run(), tmp_path)
    with (tmp_path / "calibrations.csv").open(encoding="utf-8", newline="") as file:
        rows = {(row["channel"], row["quantity"]): row for row in csv.DictReader(file)}
    gain, zero = rows["thrust_n", "gain"], rows["thrust_n", "zero"]
    assert (gain["date"], float(gain["value"]), gain["unit"]) == ("2026-05-01", 1.25e-4, "N/count")
    assert float(gain["standard_error"]) == pytest.approx(5e-7)
    assert (float(zero["value"]), float(zero["standard_error"])) == (84000, pytest.approx(640))  # 0.08 N in counts
    assert (rows["thrust_n", "one reading"]["value"], rows["thrust_n", "one reading"]["standard_error"]) == ("", "0.3")
    assert rows["thrust_n", "calibrated to"]["value"] == "80.0"
    volts = rows["voltage_v", "zero"]
    assert (volts["date"], volts["standard_error"]) == ("", "")  # never dated, its error never found: not a zero
    assert rows["tach", "clock correction"]["standard_error"] == ""


def test_a_run_without_a_readable_rig_goes_out_without_calibrations(tmp_path):
    for number, text in enumerate(("", "no = 'rig'\n")):
        written = write_csv(dataclasses.replace(full_run(), rig_text=text), tmp_path / str(number))
        assert "calibrations.csv" not in {path.name for path in written} and (tmp_path / str(number)).exists()


def test_nothing_is_overwritten(tmp_path):
    write_csv(full_run(), tmp_path)
    with pytest.raises(RecordingError, match="slow.csv: already exists"):
        write_csv(full_run(), tmp_path)


def vibration_text(times_s):
    return "t_s,ax_g\n" + "".join(f"{time_s},{index % 7}\n" for index, time_s in enumerate(times_s))


@pytest.mark.parametrize(
    ("times_s", "rate_hz"),
    [
        (np.arange(1000) / 1600, 1600.0),
        (np.round(np.arange(3200) / 3200, 4), 3200.0),  # written with too few decimals
        (np.round(5 + np.arange(1000) / 800, 6), 800.0),
        (np.delete(np.arange(1000) / 1600, [3, 4, 500]), 1600.0),
        (np.arange(1000) / 1600 + (np.arange(1000) // 16 % 2) * 50e-6, 1600.0),  # blocks polled a little late
    ],
)
def test_uniform_vibration_with_gaps_and_rounding_is_taken(tmp_path, times_s, rate_hz):
    slow = written(tmp_path, GOOD)
    run = read_csv(slow, written(tmp_path, vibration_text(times_s.tolist()), "vibration.csv"))
    assert run.vibration.rate_hz == pytest.approx(rate_hz, rel=2e-3)
    assert np.array_equal(run.vibration.time_s, times_s)


@pytest.mark.parametrize(
    "times_s",
    [
        np.sort(np.random.default_rng(0).uniform(0, 1, 1000)),
        np.concatenate((np.arange(500) / 1600, 0.5 + np.arange(300) / 800)),
        np.cumsum(np.random.default_rng(0).choice([0.5e-3, 0.75e-3], 1000)),
    ],
)
def test_vibration_that_is_not_uniform_is_refused(tmp_path, times_s):
    slow, path = written(tmp_path, GOOD), written(tmp_path, vibration_text(times_s.tolist()), "vibration.csv")
    with pytest.raises(RecordingError, match=r"vibration.csv: row \d+, column t_s: a step of .* sampled uniformly"):
        read_csv(slow, path)


def test_vibration_without_an_axis_or_with_too_few_rows_is_refused(tmp_path):
    slow = written(tmp_path, GOOD)
    with pytest.raises(RecordingError, match="no axis; expected any of ax_g, ay_g, az_g"):
        read_csv(slow, written(tmp_path, "t_s\n0\n1\n", "none.csv"))
    with pytest.raises(RecordingError, match="2 rows; vibration needs at least 3"):
        read_csv(slow, written(tmp_path, "t_s,ax_g\n0,1\n1,1\n", "short.csv"))


def test_ten_minutes_of_vibration_read_in_seconds(tmp_path):
    count = 192_000  # a minute at 3.2 kHz; the benchmark table has ten
    rows = np.round(np.random.default_rng(0).normal(0, 1, (count, 3)), 4).tolist()
    text = "t_s,ax_g,ay_g,az_g\n" + "".join(f"{i / 3200},{x},{y},{z}\n" for i, (x, y, z) in enumerate(rows))
    slow, path = written(tmp_path, GOOD), written(tmp_path, text, "vibration.csv")
    began_s = time.process_time()
    run = read_csv(slow, path)
    assert time.process_time() - began_s < 2.0
    assert len(run.vibration.time_s) == count and run.vibration.rate_hz == 3200.0


@pytest.mark.parametrize("size", [1, 7, 40])
def test_pieces_of_any_size_give_the_same_table_and_the_same_rows(tmp_path, monkeypatch, size):
    text = "t_s,rpm,thrust_n\r\n0,1000,\r\n\r\n0.1,,2.5\r\n0.2,1200,3"
    path = written(tmp_path, text)
    whole = read_csv(path)
    monkeypatch.setattr(csv_table, "PIECE_CHARACTERS", size)
    same(read_csv(path), whole)
    assert whole.slow.time_s.tolist() == [0.0, 0.1, 0.2]
    with pytest.raises(RecordingError, match=r"row 5, column t_s: 0.05 does not come after 0.1 in the row before"):
        read_csv(written(tmp_path, text.replace("0.2,", "0.05,")))
    with pytest.raises(RecordingError, match=r"row 5, column thrust_n: 'much' is not a number"):
        read_csv(written(tmp_path, text.replace(",3", ",much")))


def test_parquet_of_an_open_recording_holds_what_its_run_holds(tmp_path, monkeypatch):
    parquet = pytest.importorskip("pyarrow.parquet")
    from whirlbench.recording.parquet_exchange import write_parquet

    monkeypatch.setattr(reader, "PIECE_ROWS", 1000)
    path = record(tmp_path / "run.h5", made_up(3.0))
    with open_recording(path) as source:
        written_files = write_parquet(source, tmp_path / "piecewise")
    write_parquet(read_run(path), tmp_path / "whole")
    assert {file.name for file in written_files} == {file.name for file in (tmp_path / "whole").iterdir()}
    for file in written_files:
        ours, theirs = parquet.read_table(file), parquet.read_table(tmp_path / "whole" / file.name)
        assert ours.schema.equals(theirs.schema, check_metadata=True)
        for name in ours.column_names:
            assert repr(ours[name].to_pylist()) == repr(theirs[name].to_pylist()), name  # NaN as well
    assert len(parquet.read_table(tmp_path / "piecewise" / "vibration.parquet")) > 3000


def test_parquet_holds_the_same_numbers_and_units(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    from whirlbench.recording.parquet_exchange import write_parquet

    run = full_run()
    names = {path.name for path in write_parquet(run, tmp_path)}
    assert names == {"slow.parquet", "vibration.parquet", "tach.parquet", "events.parquet"}
    table = parquet.read_table(tmp_path / "slow.parquet")
    assert np.array_equal(table["rpm"].to_numpy(), run.slow.rpm)
    known = table.schema.field("pitch_deg").metadata
    assert known[b"unit"] == b"deg" and b"play" not in known[b"calibration"] and b"deg" in known[b"calibration"]
    vibration = parquet.read_table(tmp_path / "vibration.parquet")
    assert np.array_equal(vibration["az_g"].to_numpy(), run.vibration.az_g)
    assert parquet.read_table(tmp_path / "events.parquet").to_pylist()[0]["name"] == "overspeed"
    with pytest.raises(RecordingError, match="already exists"):
        write_parquet(run, tmp_path)


def test_parquet_carries_the_calibrations_of_file_and_columns(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    from whirlbench.recording.parquet_exchange import write_parquet

    write_parquet(calibrated_run(), tmp_path)
    whole = parquet.read_schema(tmp_path / "slow.parquet")
    axes = parquet.read_schema(tmp_path / "vibration.parquet")
    assert b"thrust_n,2026-05-01,gain,0.000125,5e-07,N/count" in whole.metadata[b"calibrations_csv"]
    assert whole.field("rpm").metadata[b"calibration"].startswith(b"tach, never calibrated on this stand")
    assert b"0.0039 \xc2\xb1 not known g/count" in axes.field("ay_g").metadata[b"calibration"]


def test_a_recording_of_an_import_exports_to_the_same_text(tmp_path):
    from whirlbench.recording.attributes import RunAttributes
    from whirlbench.recording.files import write_run

    run = full_run()
    write_run(tmp_path / "run.h5", run, RunAttributes(rig_text=run.rig_text, pulses_per_rev=2))
    back = read_run(tmp_path / "run.h5")
    same(back, run)
    assert back.events == run.events and back.rig_text == run.rig_text and back.problems == ()
    write_csv(run, tmp_path / "before")
    write_csv(back, tmp_path / "after")
    for path in (tmp_path / "before").iterdir():
        assert path.read_bytes() == (tmp_path / "after" / path.name).read_bytes()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("t_s,kind\n", "row 1: expected the header t_s,kind,name,detail"),
        ("t_s,kind,name,detail\n1,trip,overspeed\n", "row 2 has 3 cells; expected 4"),
        ("t_s,kind,name,detail\nsoon,trip,overspeed,\n", "row 2, column t_s: 'soon' is not a number"),
        ('t_s,kind,name,detail\n1,trip,"overspeed,\n', "cannot be read as a table of events"),
    ],
)
def test_bad_events_are_one_line(tmp_path, text, expected):
    with pytest.raises(RecordingError) as caught:
        read_csv(written(tmp_path, GOOD), events=written(tmp_path, text, "events.csv"))
    assert expected in str(caught.value) and "events.csv" in str(caught.value) and "\n" not in str(caught.value)
