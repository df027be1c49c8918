"""The page of a rig file: a section at a time, a row for each key with its unit, and what is wrong beside the field."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import RigError
from whirlbench.results.labels import LABELS, spoken
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.file_saving import ask_path
from whirlbench.window.rig_form.rig_draft import NEW_TEXT, RigDraft
from whirlbench.window.rig_form.rig_field import RigField

HEADING = "font-size: 17px; padding: 2px 0 4px 0;"
TOP = "top of the file"
NAMED = {"blade_sets": "blade set", "modes": "mode", "calibration": "calibration"}
ROWS_PX, LIST_PX, NAME_PX, FIELD_PX, UNIT_PX = 118, 210, 170, 230, 64
UNITS_OF_FILE = "Units are those of the file. An empty field is a key that is not given; comments of the file stay."


class RowsField(QtWidgets.QPlainTextEdit):
    """A field for a table: a line for each row; ``editingFinished`` comes when it is left."""

    editingFinished = QtCore.pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setFixedHeight(ROWS_PX)
        self.setLineWrapMode(QtWidgets.QPlainTextEdit.NoWrap)
        self.setTabChangesFocus(True)

    def focusOutEvent(self, event: QtGui.QFocusEvent) -> None:
        """What was typed is taken when the field is left."""
        super().focusOutEvent(event)
        self.editingFinished.emit()


class RigForm(QtWidgets.QWidget):
    """Fills in the rig file at ``path`` (None: a new one); ``saved`` tells the file that was written."""

    saved = QtCore.pyqtSignal(object)

    def __init__(self, text: str = NEW_TEXT, path: Path | None = None) -> None:
        super().__init__()
        self.draft, self.path = RigDraft(text), path
        self._kept = self.draft.text  # as the file has it
        self.heading, self.state = QtWidgets.QLabel(), QtWidgets.QLabel()
        self.sections, self.rows = QtWidgets.QListWidget(), QtWidgets.QScrollArea()
        self.sections.setAccessibleName("sections of the rig file")
        self.fields: dict[str, QtWidgets.QWidget] = {}
        self.told: dict[str, QtWidgets.QLabel] = {}  # by path: what is wrong, else what the key means
        self.kind, self.new_name = QtWidgets.QComboBox(), HintedField()
        self.add_button = self._button("add", self.add)
        self.remove_button = self._button("remove this section", self.remove)
        self.save_button = self._button("save", self.save)
        self.save_as_button = self._button("save as …", self.ask_path)
        self._arrange()
        self.sections.currentRowChanged.connect(lambda _: self._show_section())
        self._list_sections("")
        self.check()

    def _button(self, words: str, act: Callable[[], None]) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        button.clicked.connect(lambda _=False: act())
        return button

    def _arrange(self) -> None:
        for words, name in NAMED.items():
            self.kind.addItem(name, words)
        self.kind.setAccessibleName("what is added")
        self.new_name.setPlaceholderText("its name")
        self.new_name.setAccessibleName("name of what is added")
        self.new_name.returnPressed.connect(self.add)
        self.heading.setStyleSheet(HEADING)
        self.rows.setWidgetResizable(True)
        self.rows.setFrameShape(QtWidgets.QFrame.NoFrame)
        for label in (self.heading, self.state):
            label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        self.sections.setFixedWidth(LIST_PX)
        side = QtWidgets.QVBoxLayout()
        side.addWidget(self.sections, stretch=1)
        for widget in (self.kind, self.new_name, self.add_button, self.remove_button):
            side.addWidget(widget)
        middle, low, column = QtWidgets.QHBoxLayout(), QtWidgets.QHBoxLayout(), QtWidgets.QVBoxLayout(self)
        middle.addLayout(side)
        middle.addWidget(self.rows, stretch=1)
        low.addWidget(self.state, stretch=1)
        low.addWidget(self.save_as_button)
        low.addWidget(self.save_button)
        column.addWidget(self.heading)
        column.addWidget(QtWidgets.QLabel(UNITS_OF_FILE))
        column.addLayout(middle, stretch=1)
        column.addLayout(low)

    # --- sections ---------------------------------------------------------------------------------------------------

    @property
    def section(self) -> str:
        """Path of the section that is seen."""
        item = self.sections.currentItem()
        return "" if item is None else str(item.data(QtCore.Qt.ItemDataRole.UserRole))

    def show_section(self, path: str) -> None:
        """Shows a section by its path; one that is not there leaves what is seen."""
        for row in range(self.sections.count()):
            if self.sections.item(row).data(QtCore.Qt.ItemDataRole.UserRole) == path:
                self.sections.setCurrentRow(row)

    def _list_sections(self, seen: str) -> None:
        blocked = self.sections.blockSignals(True)
        self.sections.clear()
        for path in self.draft.sections():
            item = QtWidgets.QListWidgetItem(section_words(path))
            item.setData(QtCore.Qt.ItemDataRole.UserRole, path)
            self.sections.addItem(item)
        self.sections.setCurrentRow(0)
        self.show_section(seen)
        self.sections.blockSignals(blocked)
        self._show_section()

    def _show_section(self) -> None:
        """A row for each key of the section that is seen."""
        self.fields, self.told = {}, {}
        body = QtWidgets.QWidget()
        grid = QtWidgets.QGridLayout(body)
        grid.setColumnMinimumWidth(0, NAME_PX)
        grid.setColumnMinimumWidth(2, UNIT_PX)
        grid.setColumnStretch(3, 1)
        self.told[self.section] = self._told_label()
        grid.addWidget(self.told[self.section], 0, 0, 1, 4)
        fields = self.draft.fields(self.section)
        for number, field in enumerate(fields):
            self._add_row(grid, 2 * number + 1, field)
        grid.setRowStretch(2 * len(fields) + 1, 1)
        self.rows.setWidget(body)
        self.remove_button.setEnabled(self.section.count(".") >= 1)
        self.check()

    def _add_row(self, grid: QtWidgets.QGridLayout, number: int, field: RigField) -> None:
        name = QtWidgets.QLabel(field.name)
        name.setWordWrap(True)
        name.setToolTip(field.path)
        widget = self._field_widget(field)
        widget.setAccessibleName(f"{field.name}, {field.row.unit}" if field.row.unit else field.name)
        widget.setAccessibleDescription(f"{spoken(field.row.meaning)} {field.admitted}")
        widget.setToolTip(f"{field.path}: {field.admitted}")
        self.fields[field.path], self.told[field.path] = widget, self._told_label()
        grid.addWidget(name, number, 0, QtCore.Qt.AlignmentFlag.AlignVCenter)
        if field.has_rows:  # wide, and what is to be said of it below
            grid.addWidget(widget, number, 1, 1, 3)
            grid.addWidget(self.told[field.path], number + 1, 1, 1, 3)
            return
        for column, part in enumerate((widget, QtWidgets.QLabel(field.row.unit), self.told[field.path]), start=1):
            grid.addWidget(part, number, column, QtCore.Qt.AlignmentFlag.AlignVCenter)

    def _told_label(self) -> QtWidgets.QLabel:
        label = QtWidgets.QLabel()
        label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        label.setWordWrap(True)
        return label

    def _field_widget(self, field: RigField) -> QtWidgets.QWidget:
        """A box of words, a line, or lines; each is taken when it is left."""
        typed = self.draft.typed(field)
        if field.choices:
            box = QtWidgets.QComboBox()
            box.addItems(["", *field.choices])
            box.setItemText(0, field.absent)
            box.setCurrentText(typed if typed in field.choices else field.absent)
            box.activated.connect(lambda place: self.type(field, box.itemText(place) if place else ""))
            box.setFixedWidth(FIELD_PX)
            return box
        if field.has_rows:
            rows = RowsField()
            rows.setPlainText(typed)
            rows.editingFinished.connect(lambda: self.type(field, rows.toPlainText()))
            rows.setMinimumWidth(FIELD_PX)
            return rows
        line = HintedField()
        line.setText(typed)
        line.setPlaceholderText(field.absent)
        line.editingFinished.connect(lambda: self.type(field, line.text()))
        line.setFixedWidth(FIELD_PX)
        return line

    # --- changes ----------------------------------------------------------------------------------------------------

    def type(self, field: RigField, text: str) -> None:
        """Takes what was typed into a field, and has the parser look at the whole."""
        if text.strip() == self.draft.typed(field).strip():
            return
        self.draft.type(field, text)
        if field.row.name == "kind":
            self._list_sections(self.section)  # each kind has keys of its own
        self.check()

    def add(self) -> None:
        """Adds a section that has a name, and shows it."""
        try:
            path = self.draft.add(self.kind.currentData(), self.new_name.text())
        except RigError as error:
            self._say(str(error), "over")
            return
        self.new_name.clear()
        self._list_sections(path)

    def remove(self) -> None:
        """Takes the section that is seen out of the file."""
        gone = self.section
        if gone.count(".") >= 1:
            self.draft.remove(gone)
            self._list_sections(gone.rpartition(".")[0])

    def check(self) -> None:
        """Says beside each field what is wrong with it, else what it means; nothing that is wrong can be saved."""
        found = self.draft.complaints()
        meanings = {field.path: spoken(field.row.meaning) for field in self.draft.fields(self.section)}
        for path, label in self.told.items():
            why = found.get(path, "") if path else found.get("", "")
            _print(label, why or meanings.get(path, ""), "over" if why else "faint")
            label.setHidden(not label.text())
        for row in range(self.sections.count()):
            item = self.sections.item(row)
            item.setText(_marked(str(item.data(QtCore.Qt.ItemDataRole.UserRole)), found))
        self.save_button.setEnabled(not found)
        self.save_as_button.setEnabled(not found)
        name = "a new rig file" if self.path is None else self.path.name
        self.heading.setText(f"Rig: {name}")
        self._tell_state(found)

    def _tell_state(self, found: dict[str, str]) -> None:
        if found:
            path, why = next(iter(found.items()))
            more = f"; {len(found) - 1} more" if len(found) > 1 else ""
            self._say(f"not to be saved: {path or TOP}: {why}{more}", "over")
        else:
            lack = self.draft.lacks_for_arming()
            stands = "as it is in the file" if self.is_saved else "a valid rig, not saved yet"
            self._say(f"{stands}; no stand is armed with it: {lack}" if lack else stands, "caution" if lack else "ink")

    def _say(self, text: str, ink: str) -> None:
        _print(self.state, text, ink)

    @property
    def is_saved(self) -> bool:
        """Whether the file holds what the form shows."""
        return self.path is not None and self.draft.text == self._kept

    @property
    def is_touched(self) -> bool:
        """Whether something was changed that no file holds."""
        return self.draft.text != self._kept or self.draft.is_mistyped

    # --- the file ---------------------------------------------------------------------------------------------------

    def save(self) -> None:
        """Writes the file; one without a name yet is asked for it."""
        if self.path is None:
            self.ask_path()
        else:
            self.write(self.path)

    def ask_path(self) -> None:
        """Asks where to, and writes there."""
        ask_path(self, "save the rig", str(self.path or "rig.toml"), ("rig files (*.toml)",), self.write)

    def write(self, path: Path) -> None:
        """Writes what the form shows to ``path``; a rig that the parser refuses is not written."""
        if self.draft.complaints():
            self.check()
            return
        try:
            path.write_text(self.draft.text, encoding="utf-8")
        except OSError as error:
            self._say(f"{path}: cannot be written: {error.strerror or error}; choose another place", "over")
            return
        self.path, self._kept = path, self.draft.text
        self.check()
        self.saved.emit(path)


def section_words(path: str) -> str:
    """A section as the list calls it: those inside another stand to the right of it."""
    if not path:
        return TOP
    parts = path.split(".")
    name = parts[-1].replace("_", " ")
    if len(parts) == 2 and parts[0] in NAMED:
        return f"{NAMED[parts[0]]}: {LABELS.get(parts[1], parts[1])}"
    return f"      {name}" if len(parts) > 2 else name


def _marked(path: str, found: dict[str, str]) -> str:
    """The section's name with a mark where something in it is wrong."""
    wrong = path in found or any(key.rpartition(".")[0] == path for key in found if key)
    return f"{section_words(path)}   !" if wrong else section_words(path)


def _print(label: QtWidgets.QLabel, text: str, ink: str) -> None:
    """Words in the ink of a part of the palette, which Qt takes when it looks at the label anew."""
    label.setText(text)
    if label.property("ink") != ink:
        label.setProperty("ink", ink)
        label.style().unpolish(label)
        label.style().polish(label)
