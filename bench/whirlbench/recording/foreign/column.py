"""A table as it stands in somebody's file: columns under headings, before anybody knows what they mean."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ForeignColumn:
    """One column: its heading as written, its unit where the file tells it apart, its figures.

    ``values`` (n,) float64, NaN where the cell was empty or no number; ``texts`` are the cells of a column of words or
    of times of the clock, and ``values`` is all NaN then. ``odd_rows``: places of cells that were neither.
    """

    heading: str
    unit: str
    values: np.ndarray
    texts: tuple[str, ...] = ()
    odd_rows: tuple[int, ...] = ()


@dataclass(frozen=True)
class ForeignTable:
    """Columns of one file, of equal length; ``rows`` (n,) the number of each row in the file.

    ``form`` says in words how the file was written; ``remarks`` what was left out of it.
    """

    source: str
    columns: tuple[ForeignColumn, ...]
    rows: np.ndarray
    form: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def row(self, index: int) -> int:
        """Number in the file of the row at ``index``."""
        return int(self.rows[index])

    def row_list(self, places: np.ndarray | tuple[int, ...], most: int = 5) -> str:
        """Numbers of some rows for reading: the first few, and how many there are.

        >>> ForeignTable("", (), np.arange(10)).row_list((1, 2), most=1)
        'row 1 and 1 more'
        """
        numbers = [str(self.row(int(place))) for place in places[:most]]
        more = f" and {len(places) - most} more" if len(places) > most else ""
        return f"row{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}{more}"
