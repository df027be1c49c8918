"""A run as tables, piece by piece: from its arrays, or straight from an open recording, so that hours fit in memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from whirlbench.recording.layout import PIECE_ROWS
from whirlbench.recording.reader import Recording
from whirlbench.samples import Run


class RunTables:
    """What an exporter asks of a run, whether it is in memory or in a file."""

    def __init__(self, source: Run | Recording) -> None:
        """``source`` stays open as long as this is used."""
        self._source = source
        self.rig_text = source.rig_text if isinstance(source, Run) else source.attributes.rig_text
        self.events = source.events if isinstance(source, Run) else source.events()

    def rows(self, stream: str) -> int:
        """Rows of a stream."""
        if isinstance(self._source, Run):
            return len(getattr(self._source, stream).time_s)
        return self._source.rows_of(stream)

    def has(self, stream: str, name: str) -> bool:
        """Whether a channel holds at least one finite value."""
        return any(bool(np.isfinite(piece[0]).any()) for piece in self.pieces(stream, [name]))

    def pieces(self, stream: str, names: list[str]) -> Iterator[list[np.ndarray]]:
        """The columns called ``names`` (``time_s`` and channels) of a stream, some ten thousand rows at a time."""
        if not isinstance(self._source, Run):
            yield from self._source.pieces(stream, [f"{stream}/{name}" for name in names])
            return
        columns = [getattr(getattr(self._source, stream), name) for name in names]
        for first in range(0, self.rows(stream), PIECE_ROWS):
            yield [column[first : first + PIECE_ROWS] for column in columns]
