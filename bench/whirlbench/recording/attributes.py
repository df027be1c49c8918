"""What a recording says of itself: format, version, rig, plan, firmware; declared, and read back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from whirlbench.errors import RecordingError, RigError
from whirlbench.recording.integrity import DAMAGE, first_line
from whirlbench.recording.layout import FORMAT, FORMAT_VERSION, MOST_PULSES_PER_REV, TEXTS
from whirlbench.recording.structure import Structure
from whirlbench.recording.text import decoded, plain
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig

LARGEST_RATE_HZ, LARGEST_G_PER_COUNT = 1e6, 1e3  # no accelerometer of a stand comes near them
Note = Callable[[str], None]


@dataclass(frozen=True)
class RunAttributes:
    """What is known when a run begins.

    ``rig_text`` and ``plan_text`` are the TOML in force; ``firmware`` what the device said of itself, by name (text or
    numbers); ``created`` an ISO 8601 time; ``random_seed`` of a simulated run; ``g_per_count`` scales the
    accelerometer; ``counted`` tells whether wire counts are there (an import has none).
    """

    rig_text: str = ""
    plan_text: str = ""
    firmware: dict[str, str | int] = field(default_factory=dict)
    created: str = ""
    origin: str = ""  # "device on /dev/ttyACM0", "simulated stand", "import of run.csv"
    random_seed: int | None = None
    pulses_per_rev: int = 1
    vibration_rate_hz: float = 0.0
    g_per_count: float = 0.0039
    counted: bool = True
    format_version: int = FORMAT_VERSION
    extra: tuple[tuple[str, str, str], ...] = ()  # name, unit and heading of each extra channel of an import
    clearance: str = ""  # the fitted blade set, its permitted speed and its standing, as they were known at the start

    @classmethod
    def of_rig(cls, rig: Rig, rig_text: str, **known: object) -> RunAttributes:
        """Attributes whose tach, accelerometer and rig text are those of ``rig``; ``known`` sets the other fields."""
        fields: dict[str, Any] = {
            "pulses_per_rev": rig.tach.pulses_per_rev,
            "vibration_rate_hz": float(rig.vibration.rate_hz),
            "g_per_count": rig.vibration.g_per_count,
            **known,
        }
        return cls(rig_text=rig_text, **fields)

    def calibration_json(self) -> str:
        """The calibrations of the rig as JSON, ``{}`` without a (readable) rig."""
        try:
            rig = parse_rig(self.rig_text) if self.rig_text else Rig()
        except RigError:
            rig = Rig()
        return msgspec.json.encode(rig.calibration).decode()


ROOT_ATTRIBUTES = ("format", "format_version", "created", "origin", "random_seed", "counted", "clearance")


def check_format(structure: Structure, path: Path) -> None:
    """RecordingError when the file is no recording, or one of a later format version."""
    attributes = _root_attributes(structure, path)
    found = attributes.get("format", b"")
    if not isinstance(found, bytes) or plain(found) != FORMAT:
        raise RecordingError(f"{path}: is an HDF5 file, but not a {FORMAT}; `whirlbench import` takes CSV files")
    version = int(attributes.get("format_version", 0))
    if version > FORMAT_VERSION:
        raise RecordingError(
            f"{path}: recording format version {version}, this program reads up to version {FORMAT_VERSION}; "
            "use a newer whirlbench"
        )


def read_attributes(structure: Structure, path: Path, note: Note) -> RunAttributes:
    """The attributes of the run; a part that is damaged is left at its default, and ``note`` is told.

    RecordingError names a figure that no recording can have, such as no tach pulse a turn.
    """
    root = _root_attributes(structure, path)
    texts = {name: _text(structure, f"header/{name}", note) for name in TEXTS}
    tach = _attributes(structure, "tach", ("pulses_per_rev",), note)
    vibration = _attributes(structure, "vibration", ("rate_hz", "g_per_count"), note)
    found = RunAttributes(
        rig_text=texts["rig_toml"],
        plan_text=texts["plan_toml"],
        firmware=_firmware(texts["firmware_json"]),
        created=plain(bytes(root.get("created", b""))),
        origin=plain(bytes(root.get("origin", b""))),
        random_seed=int(root["random_seed"]) if "random_seed" in root else None,
        pulses_per_rev=int(tach.get("pulses_per_rev", 1)),
        vibration_rate_hz=float(vibration.get("rate_hz", 0.0)),
        g_per_count=float(vibration.get("g_per_count", 0.0)),
        counted=bool(root.get("counted", 1)),
        format_version=int(root.get("format_version", FORMAT_VERSION)),
        clearance=plain(bytes(root.get("clearance", b""))),
    )
    _check_figures(found, path)
    return found


def _check_figures(found: RunAttributes, path: Path) -> None:
    believable = (
        ("tach pulses per revolution", found.pulses_per_rev, 1, MOST_PULSES_PER_REV),
        ("vibration rate in Hz", found.vibration_rate_hz, 0.0, LARGEST_RATE_HZ),
        ("g per count", found.g_per_count, 0.0, LARGEST_G_PER_COUNT),
    )
    for name, value, least, most in believable:
        if not least <= value <= most:
            raise RecordingError(f"{path}: {name} is {value:g}; expected {least:g} to {most:g}")


def _root_attributes(structure: Structure, path: Path) -> dict[str, Any]:
    try:
        return structure.attributes("", ROOT_ATTRIBUTES)
    except DAMAGE as error:
        raise RecordingError(f"{path}: its attributes are damaged and cannot be read ({first_line(error)})") from error


def _attributes(structure: Structure, group: str, names: tuple[str, ...], note: Note) -> dict[str, Any]:
    try:
        return structure.attributes(group, names)
    except DAMAGE:
        note(f"{group}: its attributes are damaged")
        return {}


def _text(structure: Structure, path: str, note: Note) -> str:
    try:
        return decoded(structure.text(path))
    except DAMAGE:
        note(f"{path} is damaged and was left out")
        return ""


def _firmware(text: str) -> dict[str, str | int]:
    try:
        found: dict[str, str | int] = msgspec.json.decode(text or "{}", type=dict[str, str | int])
    except msgspec.DecodeError:
        return {}
    return found
