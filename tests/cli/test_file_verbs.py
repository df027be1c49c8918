"""The verbs that handle files, as a user types them."""

import json
import os

import numpy as np
import pytest
from made_up_run import made_up, record

from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.link import port as port_module
from whirlbench.recording import files
from whirlbench.recording.files import open_recording, read_run
from whirlbench.rig.toml import example_rig_text

SLOW = "t_s,rpm,thrust_n\n0,1000,1.25\n0.1,,2.5\n0.2,1200,\n"


@pytest.fixture
def slow_csv(tmp_path):
    path = tmp_path / "slow.csv"
    path.write_text(SLOW)
    return path


def test_import_writes_a_recording_with_the_rig_in_force(tmp_path, slow_csv, capsys):
    rig = tmp_path / "rig.toml"
    rig.write_text("[tach]\npulses_per_rev = 4\n")
    tach = tmp_path / "tach.csv"
    tach.write_text("t_s\n0.01\n0.02\n0.04\n")
    target = tmp_path / "run.h5"
    assert run(["import", str(slow_csv), "--tach", str(tach), "--rig", str(rig), "-o", str(target)]) == DONE
    assert "3 slow samples, 3 tach pulses, 0 vibration samples" in capsys.readouterr().out
    with open_recording(target) as recording:
        back = recording.run()
        assert recording.attributes.origin == "import of slow.csv" and not recording.attributes.counted
    assert back.rig_text == rig.read_text() and back.tach.pulses_per_rev == 4
    assert np.array_equal(back.slow.thrust_n, [1.25, 2.5, np.nan], equal_nan=True)


def test_import_names_the_bad_cell_in_one_line_and_leaves_no_file(tmp_path, slow_csv, capsys):
    slow_csv.write_text(SLOW.replace("1200", "fast"))
    assert run(["import", str(slow_csv), "-o", str(tmp_path / "run.h5")]) == BAD_INPUT
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and f"{slow_csv}: row 4, column rpm: 'fast' is not a number" in error
    assert sorted(path.name for path in tmp_path.iterdir()) == ["slow.csv"]


def test_import_never_overwrites(tmp_path, slow_csv, capsys):
    target = tmp_path / "run.h5"
    target.write_text("precious")
    assert run(["import", str(slow_csv), "-o", str(target)]) == BAD_INPUT
    assert "already exists" in capsys.readouterr().err and target.read_text() == "precious"


def test_import_never_overwrites_what_came_after_its_look(tmp_path, slow_csv, capsys, monkeypatch):
    target = tmp_path / "run.h5"
    target.write_text("precious")
    monkeypatch.setattr("whirlbench.cli.verbs.files.import_.os.path.lexists", lambda path: False)
    assert run(["import", str(slow_csv), "-o", str(target)]) == BAD_INPUT
    assert "already exists" in capsys.readouterr().err and target.read_text() == "precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run.h5", "slow.csv"]


@pytest.mark.parametrize("one_name", [True, False])
def test_recover_never_replaces_what_came_meanwhile(tmp_path, capsys, monkeypatch, one_name):
    """Also on a disk on which a file has but one name."""
    broken, target, write_anew = record(tmp_path / "run.h5", made_up(1.0)), tmp_path / "new.h5", files.write_anew
    if one_name:
        monkeypatch.setattr("os.link", lambda *_: os.stat("/no such file"))

    def slowly(*given):
        write_anew(*given)
        target.write_text("precious")

    assert run(["recover", str(broken), "-o", str(target)]) == DONE
    target.unlink()
    monkeypatch.setattr(files, "write_anew", slowly)
    assert run(["recover", str(broken), "-o", str(target)]) == BAD_INPUT
    assert "already exists" in capsys.readouterr().err and target.read_text() == "precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["new.h5", "run.h5"]


def test_import_says_when_the_place_cannot_be_written(tmp_path, slow_csv, capsys):
    assert run(["import", str(slow_csv), "-o", str(tmp_path / "nowhere" / "run.h5")]) == BAD_INPUT
    assert capsys.readouterr().err.endswith("run.h5: cannot be written (No such file or directory)\n")


def test_export_and_import_again_change_nothing(tmp_path, capsys):
    path = record(tmp_path / "run.h5", made_up(1.0))
    folder, target = tmp_path / "tables", tmp_path / "again.h5"
    assert run(["export", str(path), "--csv", str(folder)]) == DONE
    names = {"--vibration": "vibration.csv", "--tach": "tach.csv", "--events": "events.csv", "--rig": "rig.toml"}
    options = [word for option, name in names.items() for word in (option, str(folder / name))]
    assert run(["import", str(folder / "slow.csv"), *options, "-o", str(target)]) == DONE
    before, after = read_run(path), read_run(target)
    assert after.rig_text == before.rig_text == example_rig_text()
    assert after.events == before.events and len(after.events) == 3
    assert np.array_equal(after.slow.current_a, before.slow.current_a, equal_nan=True)
    assert np.array_equal(after.vibration.az_g, before.vibration.az_g)
    assert np.array_equal(after.tach.time_s, before.tach.time_s)
    assert after.vibration.rate_hz == before.vibration.rate_hz


def test_export_wants_a_kind_and_names_a_damaged_recording(tmp_path, capsys):
    path = record(tmp_path / "run.h5", made_up(1.0))
    assert run(["export", str(path)]) == BAD_INPUT
    assert "--csv DIR or --parquet DIR" in capsys.readouterr().err
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert run(["export", str(path), "--csv", str(tmp_path / "tables")]) == DONE
    assert "damaged or missing" in capsys.readouterr().err
    path.write_bytes(b"nonsense")
    assert run(["export", str(path), "--csv", str(tmp_path / "more")]) == BAD_INPUT
    assert "is not a recording" in capsys.readouterr().err


def test_recover_says_what_is_missing(tmp_path, capsys):
    path = record(tmp_path / "run.h5", made_up(1.0), compact=False)
    assert run(["recover", str(path), "-o", str(tmp_path / "a.h5")]) == DONE
    assert "nothing was missing" in capsys.readouterr().out
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert run(["recover", str(path), "-o", str(tmp_path / "b.h5")]) == DONE
    assert "missing: vibration/" in capsys.readouterr().out
    assert path.read_bytes() == data[: len(data) // 2]
    assert run(["recover", str(tmp_path / "absent.h5"), "-o", str(tmp_path / "c.h5")]) == BAD_INPUT


def test_ports_says_plainly_when_nothing_is_plugged_in(monkeypatch, capsys):
    monkeypatch.setattr(port_module.port_lister, "comports", lambda: [])
    assert run(["ports"]) == DONE
    assert "nothing is plugged in" in capsys.readouterr().out
    assert run(["ports", "--json"]) == DONE
    assert json.loads(capsys.readouterr().out) == {"ports": []}
