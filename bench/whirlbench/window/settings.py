"""What the window remembers from one day to the next: its size, files and rig, units, palette and scale."""

from __future__ import annotations

from pathlib import Path

import platformdirs
from PyQt5 import QtCore

from whirlbench.window import shown_units

MOST_RECENT = 10
SCALES = (0.8, 1.0, 1.25, 1.5, 2.0)
PALETTES = ("light", "dark", "sunlight")


def settings_path() -> Path:
    """Where the settings are kept: a plain file in the user's own folder for such."""
    return platformdirs.user_config_path("whirlbench") / "window.ini"


class Settings:
    """Settings in the file at ``path``; what is missing or makes no sense there is as if it had never been set."""

    def __init__(self, path: Path | None = None) -> None:
        self._kept = QtCore.QSettings(str(path or settings_path()), QtCore.QSettings.Format.IniFormat)

    def recent(self) -> tuple[Path, ...]:
        """The recordings opened last, the latest first; those that are gone are left out."""
        kept = self._kept.value("recent")
        paths = [kept] if isinstance(kept, str) else kept if isinstance(kept, list) else []  # Qt reads one as a text
        return tuple(path for path in map(Path, map(str, paths)) if path.is_file())

    def add_recent(self, path: Path) -> None:
        """``path`` was opened just now."""
        path = path.resolve()
        paths = [path, *(other for other in self.recent() if other != path)]
        self._kept.setValue("recent", [str(one) for one in paths[:MOST_RECENT]])

    @property
    def rig(self) -> Path | None:
        """The rig file chosen last; None where there is none any more."""
        kept = str(self._kept.value("rig", ""))
        return Path(kept) if kept and Path(kept).is_file() else None

    @rig.setter
    def rig(self, path: Path) -> None:
        self._kept.setValue("rig", str(path))

    @property
    def scale(self) -> float:
        """By how much everything is drawn larger than usual."""
        return self._one_of("scale", SCALES, 1.0)

    @scale.setter
    def scale(self, value: float) -> None:
        self._kept.setValue("scale", value)

    @property
    def palette(self) -> str:
        """Name of the palette."""
        found = str(self._kept.value("palette", PALETTES[0]))
        return found if found in PALETTES else PALETTES[0]

    @palette.setter
    def palette(self, name: str) -> None:
        self._kept.setValue("palette", name)

    def _one_of(self, key: str, known: tuple[float, ...], usual: float) -> float:
        try:
            found = float(self._kept.value(key, usual))
        except (TypeError, ValueError):
            return usual
        return found if found in known else usual

    def unit(self, kind: str) -> str:
        """The unit in which quantities of ``kind`` are shown, a key of KINDS."""
        known = [unit.name for unit in shown_units.KINDS[kind]]
        found = str(self._kept.value(f"unit_{kind}", known[0]))
        return found if found in known else known[0]

    def keep_unit(self, kind: str, name: str) -> None:
        """From now on ``kind`` is shown in ``name``."""
        self._kept.setValue(f"unit_{kind}", name)

    @property
    def geometry(self) -> QtCore.QByteArray:
        """Size and place of the window as Qt keeps them; empty when it was never closed."""
        found = self._kept.value("geometry")
        return found if isinstance(found, QtCore.QByteArray) else QtCore.QByteArray()

    @geometry.setter
    def geometry(self, value: QtCore.QByteArray) -> None:
        self._kept.setValue("geometry", value)

    def save(self) -> None:
        """Brings everything to disk."""
        self._kept.sync()
