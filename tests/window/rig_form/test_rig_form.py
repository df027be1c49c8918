"""The page of a rig file: typed, told beside the field, saved with its comments, and used from then on."""

from __future__ import annotations

from pathlib import Path

import pytest
from PyQt5 import QtCore, QtWidgets

from whirlbench.rig.toml import example_rig_text, read_rig
from whirlbench.window.main_window import MainWindow
from whirlbench.window.open_pages import RIG, START
from whirlbench.window.rig_form.rig_form import RigForm
from whirlbench.window.settings import Settings
from whirlbench.window.stand_access import SIMULATED, StandAccess


@pytest.fixture
def form(qtbot, tmp_path: Path) -> RigForm:
    made = RigForm(example_rig_text(), tmp_path / "rig.toml")
    qtbot.addWidget(made)
    made.resize(1200, 640)
    made.show()
    return made


def type_into(form: RigForm, qtbot, path: str, text: str) -> None:
    form.show_section(path.rpartition(".")[0])
    field = form.fields[path]
    assert isinstance(field, QtWidgets.QLineEdit)
    field.selectAll()
    qtbot.keyClicks(field, text)
    if not text:
        qtbot.keyClick(field, QtCore.Qt.Key_Backspace)
    qtbot.keyClick(field, QtCore.Qt.Key_Return)


def test_an_error_stands_beside_its_field_and_bars_the_saving(form: RigForm, qtbot, tmp_path: Path) -> None:
    type_into(form, qtbot, "limits.current_a", "-3")
    told = form.told["limits.current_a"]
    assert told.text().startswith("found -3, expected") and told.property("ink") == "over"
    assert form.told["limits.thrust_n"].property("ink") == "faint"
    assert not form.save_button.isEnabled() and form.state.text().startswith("not to be saved: limits.current_a")
    assert form.sections.currentItem().text() == "limits   !"
    form.write(tmp_path / "rig.toml")
    assert not (tmp_path / "rig.toml").exists()
    type_into(form, qtbot, "limits.current_a", "90")
    assert "limits   !" not in form.sections.currentItem().text() and form.save_button.isEnabled()
    form.save_button.click()
    assert read_rig(tmp_path / "rig.toml")[0].limits.current_a == 90.0
    assert "protractor on the blade" in (tmp_path / "rig.toml").read_text(encoding="utf-8")
    assert form.is_saved and form.state.text() == "as it is in the file"


def test_a_valid_rig_that_no_stand_is_armed_with_says_what_it_lacks(qtbot) -> None:
    form = RigForm()
    qtbot.addWidget(form)
    assert form.save_button.isEnabled()
    assert "limits.overspeed_rpm is missing: arming needs it" in form.state.text()
    assert form.state.property("ink") == "caution"


def test_units_and_meaning_stand_beside_each_key(form: RigForm) -> None:
    form.show_section("limits")
    words = [label.text() for label in form.rows.widget().findChildren(QtWidgets.QLabel)]
    assert {"overspeed", "rpm", "g rms", "Greatest permitted electric power, either way."} <= set(words)
    assert not [text for text in words if "thrust_n" in text]


def test_a_kind_of_root_brings_its_own_keys(form: RigForm) -> None:
    form.show_section("blade_sets.moulded.root")
    kind = form.fields["blade_sets.moulded.root.kind"]
    assert isinstance(kind, QtWidgets.QComboBox) and kind.currentText() in ("tang", "grip")
    kind.setCurrentText("shank")
    kind.activated.emit(kind.currentIndex())
    assert form.section == "blade_sets.moulded.root"
    assert "blade_sets.moulded.root.shank_diameter_m" in form.fields and not form.save_button.isEnabled()


def test_a_set_is_added_by_name_and_removed(form: RigForm, qtbot) -> None:
    qtbot.keyClicks(form.new_name, "own blades")
    form.add_button.click()
    assert "found the name 'own blades'" in form.state.text()
    form.new_name.clear()
    qtbot.keyClicks(form.new_name, "own")
    form.add_button.click()
    assert form.section == "blade_sets.own" and form.remove_button.isEnabled()
    form.remove_button.click()
    assert form.draft.text.rstrip() == example_rig_text().rstrip()


def test_a_file_that_cannot_be_written_says_so(form: RigForm, tmp_path: Path) -> None:
    form.write(tmp_path / "no such folder" / "rig.toml")
    assert "cannot be written" in form.state.text() and form.path == tmp_path / "rig.toml"


@pytest.fixture
def window(qtbot, tmp_path: Path):
    connected: list[tuple[str, Path | None]] = []
    made = MainWindow(
        Settings(tmp_path / "window.ini"), StandAccess(start=lambda window, port, rig: connected.append((port, rig)))
    )
    made.connected_to = connected
    qtbot.addWidget(made)
    made.show()
    yield made
    made._closing = True
    made.close()


def test_a_new_rig_is_made_saved_chosen_and_used_for_the_stand(window: MainWindow, qtbot, tmp_path: Path) -> None:
    window.show_start()
    start = window.start_page
    assert start is not None and not start.edit_button.isEnabled()
    start.rig_form_wanted.emit(True)
    form = window.pages.currentWidget()
    assert isinstance(form, RigForm) and window.open_pages.group == RIG
    type_into(form, qtbot, "limits.overspeed_rpm", "4800")
    form.write(tmp_path / "own.toml")
    assert window.rig_choice.path == tmp_path / "own.toml" == Settings(tmp_path / "window.ini").rig
    assert "own.toml" in start.rig.text() and start.edit_button.isEnabled()
    window.close_recording()
    assert window.open_pages.group == START
    window.choose_stand("/dev/ttyX")
    window.choose_stand(SIMULATED)
    assert window.connected_to == [("/dev/ttyX", tmp_path / "own.toml"), (SIMULATED, tmp_path / "own.toml")]


def test_what_is_no_rig_is_not_chosen(window: MainWindow, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("[limits]\ncurrent_a = -3\n", encoding="utf-8")
    assert not window.rig_choice.take(tmp_path / "bad.toml") and window.rig_choice.path is None
    assert "limits.current_a" in window.statusBar().currentMessage()
    assert not window.rig_choice.take(tmp_path / "none.toml") and window.rig_choice.path is None


def test_a_form_that_is_not_saved_is_given_up_the_second_time_only(window: MainWindow, qtbot) -> None:
    window.show_rig_form(True)
    form = window.pages.currentWidget()
    assert isinstance(form, RigForm)
    type_into(form, qtbot, "limits.overspeed_rpm", "48x")
    window.close_recording()
    assert window.open_pages.group == RIG and "not saved" in window.statusBar().currentMessage()
    window.close_recording()
    assert window.open_pages.group == START


def test_closing_the_window_asks_once_for_a_form(window: MainWindow, qtbot) -> None:
    window.show_rig_form(True)
    form = window.pages.currentWidget()
    assert isinstance(form, RigForm)
    type_into(form, qtbot, "propeller.blades", "4")
    assert not window.close() and window.isVisible()
    assert window.close()


def test_a_request_to_end_waits_for_no_form(window: MainWindow, qtbot) -> None:
    window.show_rig_form(True)
    form = window.pages.currentWidget()
    assert isinstance(form, RigForm)
    type_into(form, qtbot, "propeller.blades", "4")
    window.cut_and_close()
    assert not window.isVisible()


def test_a_recording_is_judged_by_another_rig(window: MainWindow, tmp_path: Path) -> None:
    demo = Path(__file__).parents[3] / "recordings" / "unbalance_as_found.h5"
    window.ask_recording_rig()
    assert "no recording is seen" in window.statusBar().currentMessage()
    group = window.open_recording(demo)
    (tmp_path / "bad.toml").write_text("limits = 3\n", encoding="utf-8")
    window.judge_by(group, tmp_path / "bad.toml")
    assert "bad.toml" in window.statusBar().currentMessage() and window._subjects[group].rig_text == ""
    (tmp_path / "own.toml").write_text(example_rig_text(), encoding="utf-8")
    window.judge_by(group, tmp_path / "own.toml")
    assert window._subjects[group].rig_text == example_rig_text()
    pages = list(window.open_pages.of_group(group))
    assert len(pages) == 7 and all(page._args[0].rig_name.endswith("own.toml") for page in pages)
