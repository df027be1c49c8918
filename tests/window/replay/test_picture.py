"""What is seen of a replay, copied and saved: as a picture, as lines, as a table that can be read again."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PyQt5 import QtGui, QtWidgets

from whirlbench.recording.csv_exchange import read_csv
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Run, SlowSamples, VibrationSamples
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.replay.replay_panel import ReplayPanel

TIME_S = np.arange(0.0, 20.0, 0.01)


@pytest.fixture
def panel(qtbot) -> ReplayPanel:
    sine_s = np.arange(0.0, 20.0, 1 / 800)
    run = Run(
        SlowSamples(TIME_S, rpm=200.0 * TIME_S, thrust_n=TIME_S, servo_us=1500.0 + TIME_S),
        vibration=VibrationSamples(sine_s, ay_g=np.sin(sine_s), rate_hz=800.0),
        source="run.h5",
        problems=("vibration: 2 of 40 blocks are damaged",),
    )
    made = ReplayPanel(Replay(run, parse_rig(""), 0.0))
    qtbot.addWidget(made)
    made.resize(1100, 700)
    made.show()
    return made


def test_damage_is_told_in_the_window(panel: ReplayPanel) -> None:
    assert panel.banner.isVisible() and "2 of 40 blocks are damaged" in panel.banner.text()
    panel.show_problems(())
    assert not panel.banner.isVisible()


def test_a_table_of_what_is_seen_reads_back(panel: ReplayPanel, tmp_path: Path) -> None:
    panel.strips.show_view(panel.strips.view.toggled("vibration_g_rms", shown=False))
    panel.strips.select((5.0, 6.0))
    panel.strips.show_selected()
    panel.save(tmp_path / "part.csv")
    assert "written: slow.csv" in panel.told.text()
    back = read_csv(tmp_path / "part" / "slow.csv")
    assert back.slow.time_s[0] == pytest.approx(5.0) and back.slow.time_s[-1] <= 6.0 and len(back.slow.time_s) == 100
    assert (back.slow.rpm == 200.0 * back.slow.time_s).all() and back.slow.has("thrust_n")
    assert not back.slow.has("servo_us")  # its strip is hidden
    assert not (tmp_path / "part" / "vibration.csv").exists()
    panel.strips.show_view(panel.strips.view.toggled("ay_g", shown=True))
    panel.save(tmp_path / "shaken.csv")
    assert (tmp_path / "shaken" / "vibration.csv").read_text().count("\n") == 801
    panel.save(tmp_path / "shaken.csv")
    assert "already exists" in panel.told.text()


def test_pictures_are_saved_and_copied(panel: ReplayPanel, tmp_path: Path) -> None:
    panel.save(tmp_path / "seen.png")
    image = QtGui.QImage(str(tmp_path / "seen.png"))
    assert image.width() == 2 * panel.strips.width() and not image.isNull()
    panel.save(tmp_path / "seen.svg")
    root = ElementTree.parse(tmp_path / "seen.svg").getroot()
    words = " ".join("".join(one.itertext()) for one in root.iter() if one.tag.endswith("text"))
    assert "speed" in words and "time in the run (s)" in words
    panel.copy_picture()
    assert QtWidgets.QApplication.clipboard().image().width() == image.width()


@pytest.mark.parametrize(("name", "told"), [("seen.gif", "expected .png, .svg or .csv"), ("no/seen.png", "cannot be")])
def test_what_cannot_be_saved_is_told(panel: ReplayPanel, tmp_path: Path, name: str, told: str) -> None:
    panel.save(tmp_path / name)
    assert told in panel.told.text()
    assert list(tmp_path.iterdir()) == []
