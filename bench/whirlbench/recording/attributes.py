"""Reads what a recording says of itself: format, version, rig, plan, firmware."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import msgspec

from whirlbench.errors import RecordingError
from whirlbench.recording.container import TEXTS
from whirlbench.recording.integrity import DAMAGE
from whirlbench.recording.layout import FORMAT, FORMAT_VERSION, RunHeader
from whirlbench.recording.text import plain

Note = Callable[[str], None]


def check_format(file: h5py.File, path: Path) -> None:
    """RecordingError when ``file`` is no recording, or one of a later format version."""
    attributes = _root_attributes(file, path)
    found = attributes.get("format", b"")
    if not isinstance(found, bytes) or plain(found) != FORMAT:
        raise RecordingError(f"{path}: is an HDF5 file, but not a {FORMAT}; `whirlbench import` takes CSV files")
    version = int(attributes.get("format_version", 0))
    if version > FORMAT_VERSION:
        raise RecordingError(
            f"{path}: recording format version {version}, this program reads up to version {FORMAT_VERSION}; "
            "use a newer whirlbench"
        )


def read_header(file: h5py.File, path: Path, note: Note) -> RunHeader:
    """The header; a part that is damaged is left at its default, and ``note`` is told."""
    root = _root_attributes(file, path)
    texts = {name: _text(file, f"header/{name}", note) for name in TEXTS}
    tach, vibration = (_attributes(file, group, note) for group in ("tach", "vibration"))
    return RunHeader(
        rig_text=texts["rig_toml"],
        plan_text=texts["plan_toml"],
        firmware=_firmware(texts["firmware_json"]),
        created=plain(root.get("created", b"")),
        origin=plain(root.get("origin", b"")),
        random_seed=int(root["random_seed"]) if "random_seed" in root else None,
        pulses_per_rev=int(tach.get("pulses_per_rev", 1)),
        vibration_rate_hz=float(vibration.get("rate_hz", 0.0)),
        g_per_count=float(vibration.get("g_per_count", 0.0)),
        counted=bool(root.get("counted", 1)),
        format_version=int(root.get("format_version", FORMAT_VERSION)),
    )


def _root_attributes(file: h5py.File, path: Path) -> dict[str, Any]:
    try:
        return dict(file.attrs.items())
    except DAMAGE as error:
        raise RecordingError(f"{path}: the header is damaged and cannot be read ({error})") from error


def _attributes(file: h5py.File, group: str, note: Note) -> dict[str, Any]:
    try:
        return dict(file[group].attrs.items())
    except DAMAGE:
        note(f"{group}: its attributes are damaged")
        return {}


def _text(file: h5py.File, path: str, note: Note) -> str:
    try:
        return plain(file[path][0])
    except DAMAGE:
        note(f"{path} is damaged and was left out")
        return ""


def _firmware(text: str) -> dict[str, str | int]:
    try:
        found: dict[str, str | int] = msgspec.json.decode(text or "{}", type=dict[str, str | int])
    except msgspec.DecodeError:
        return {}
    return found
