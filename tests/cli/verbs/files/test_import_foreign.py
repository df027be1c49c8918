"""`import` of somebody's own log, as a user types it: look, map, keep the mapping, write."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.cli.verbs.files import import_
from whirlbench.recording.files import read_run

LOG = "Zeit (ms);Drehzahl;Schub (kgf);Regler (°C)\n" + "".join(
    f"{100 * row};{2000 + row};{row / 100:.2f};23,5\n".replace(".", ",") for row in range(200)
)
MAPPED = ["--map", "Zeit (ms)=t_s", "--map", "Drehzahl=rpm", "--map", "Schub (kgf)=thrust_n"]


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("platformdirs.user_config_path", lambda name: tmp_path / name)
    path = tmp_path / "log.csv"
    path.write_text(LOG, encoding="cp1252")
    return path


def test_a_log_is_looked_at_mapped_kept_and_written(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert import_.command.name == "command"
    assert run(["import", str(log)]) == BAD_INPUT
    assert 'add --map "COLUMN=t_s"' in capsys.readouterr().err
    assert run(["import", str(log), *MAPPED, "--keep-map", "mine"]) == DONE
    told = capsys.readouterr().out
    assert "nothing written" in told and "semicolons" in told and "Windows-1252" in told and "extra channel" in told
    target = tmp_path / "run.h5"
    assert run(["import", str(log), "--use-map", "mine", "-o", str(target)]) == DONE
    back = read_run(target)
    assert np.allclose(back.slow.thrust_n, np.round(np.arange(200) / 100, 2) * 9.80665)
    assert [one.unit for one in back.slow.extra] == ["°C"] and back.slow.time_s[-1] == pytest.approx(19.9)
    assert run(["import", str(log), "--use-map", "yours"]) == BAD_INPUT
    assert "mine" in capsys.readouterr().err


def test_json_tells_each_column(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["import", str(log), *MAPPED, "--json"]) == DONE
    columns = json.loads(capsys.readouterr().out)["files"][0]["columns"]
    assert [one["channel"] for one in columns] == ["t_s", "rpm", "thrust_n", None]


def test_milliseconds_under_our_own_heading_are_not_seconds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "slow.csv"
    path.write_text("t_s,rpm\n" + "".join(f"{100 * row},2000\n" for row in range(50)))
    assert run(["import", str(path), "-o", str(tmp_path / "run.h5")]) == BAD_INPUT
    assert '--map "t_s=t_s*0.001"' in capsys.readouterr().err and not (tmp_path / "run.h5").exists()


@pytest.mark.parametrize("option", [["--map", "Nowhere=rpm"], ["--offset", "log.csv"], ["--offset", "b.csv=1"]])
def test_an_option_that_meets_nothing_is_refused(
    log: Path, option: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["import", str(log), *MAPPED, *option]) == BAD_INPUT
    assert capsys.readouterr().err.count("\n") == 1
