"""Reads columns so that damage shows as missing rows, never as wrong values.

Two nets: HDF5 checks the Fletcher-32 of each chunk, and our own table holds the CRC-32 of each block of rows as it was
written. The second catches what the first cannot: a chunk of zeros (its Fletcher-32 is zero, too) from a file system
that lost a page or a file that was cut, and 0x0000 turned to 0xFFFF, which are the same to Fletcher's sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

import h5py
import numpy as np

from whirlbench.recording.layout import BLOCK_ROW, INTEGRITY
from whirlbench.recording.structure import Structure

FARTHEST = 2**40  # rows; no file is so long

# what HDF5 was seen to raise, through h5py, for structure and data that are damaged
DAMAGE = (
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    OverflowError,
    MemoryError,
)


def first_line(error: BaseException) -> str:
    """What an error of the library says, in one line."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__


@dataclass(frozen=True)
class Rows:
    """Values of the rows [first, first + len(values)) of a column, and which of them are good."""

    values: np.ndarray
    good: np.ndarray


@dataclass(frozen=True)
class Blocks:
    """The integrity table of one column, sorted by first row.

    ``whole`` is False when part of the table is lost, or when its blocks do not follow each other from row 0 on.
    """

    first: np.ndarray
    rows: np.ndarray
    crc32: np.ndarray
    whole: bool

    @property
    def committed(self) -> int:
        """Rows that the table covers from the first on."""
        return int((self.first + self.rows).max()) if len(self.first) else 0


def no_blocks(whole: bool) -> Blocks:
    """The table of a column that it does not speak of."""
    nothing = np.empty(0, dtype=np.int64)
    return Blocks(nothing, nothing, nothing, whole)


def read_table(structure: Structure) -> tuple[dict[str, Blocks], bool]:
    """The integrity table by column path, and whether all of it could be read and makes sense."""
    dataset = structure.dataset(INTEGRITY)
    if dataset.dtype != BLOCK_ROW:
        raise ValueError(f"{INTEGRITY} is of another type")
    columns = structure.attributes(INTEGRITY, ("columns",))["columns"]
    names = [bytes(name).decode() for name in np.atleast_1d(columns)]
    stored = structure.stored_rows(dataset)
    table = read_checked(dataset, 0, stored)
    # zeros, too, can pass for a whole chunk of the table; a forged place would lie beyond every file
    there = table.good & (table.values["rows"] > 0) & (table.values["first"] < FARTHEST)
    rows, whole = table.values[there], bool(there.all()) and stored == dataset.shape[0]
    rows = rows[np.argsort(rows["first"], kind="stable")]
    found = {name: _blocks_of(rows[rows["column"] == number], whole) for number, name in enumerate(names)}
    return found, all(blocks.whole for blocks in found.values())


def _blocks_of(rows: np.ndarray, whole: bool) -> Blocks:
    first, size = rows["first"].astype(np.int64), rows["rows"].astype(np.int64)
    ends = np.concatenate(([0], first + size))
    return Blocks(first, size, rows["crc32"], whole and np.array_equal(first, ends[:-1]))


class VerifiedColumn:
    """One dataset with its blocks; ``stored`` is how many rows the file bears, committed or not."""

    def __init__(self, dataset: h5py.Dataset, blocks: Blocks, stored: int) -> None:
        self.dataset, self.blocks, self.stored = dataset, blocks, stored

    def read(self, first: int, last: int) -> Rows:
        """The rows [first, last), as far as they are stored; rows that are not count as not good."""
        low, high = self._whole_blocks(first, last)
        rows = read_checked(self.dataset, low, min(high, self.stored))
        blocks, good = self._blocks_in(low, low + len(rows.good)), rows.good
        for begin, size, crc in blocks:
            block = slice(begin - low, begin - low + size)
            if good[block].all() and crc32(rows.values[block].data) != crc:
                good[block] = False
        if sum(size for _, size, _ in blocks) < len(good):
            self._distrust_blank_chunks(rows, low)
        return _pad(rows.values[first - low : last - low], good[first - low : last - low], last - first)

    def _distrust_blank_chunks(self, rows: Rows, low: int) -> None:
        """Marks chunks that are all zero as not good: where our table is lost, those may be a lost page as well."""
        chunk_rows = self.dataset.chunks[0]
        for begin in range(-(low % chunk_rows), len(rows.good), chunk_rows):
            chunk = slice(max(begin, 0), begin + chunk_rows)
            if not np.frombuffer(rows.values[chunk].tobytes(), np.uint8).any():
                rows.good[chunk] = False

    def _whole_blocks(self, first: int, last: int) -> tuple[int, int]:
        """[first, last) widened to block borders."""
        begins, ends = self.blocks.first, self.blocks.first + self.blocks.rows
        touched = (ends > first) & (begins < last)
        if not touched.any():
            return first, last
        return min(first, int(begins[touched].min())), min(max(last, int(ends[touched].max())), max(last, self.stored))

    def _blocks_in(self, low: int, high: int) -> list[tuple[int, int, int]]:
        inside = (self.blocks.first >= low) & (self.blocks.first + self.blocks.rows <= high)
        columns = (self.blocks.first[inside], self.blocks.rows[inside], self.blocks.crc32[inside])
        return list(zip(*(column.tolist() for column in columns), strict=True))


def read_checked(dataset: h5py.Dataset, first: int, last: int) -> Rows:
    """The rows [first, last), those of damaged chunks marked as not good."""
    size = max(last - first, 0)
    try:
        return Rows(dataset[first : first + size], np.ones(size, dtype=bool))
    except DAMAGE:
        return _read_by_chunk(dataset, first, size)


def _read_by_chunk(dataset: h5py.Dataset, first: int, size: int) -> Rows:
    values, good = np.zeros(size, dtype=dataset.dtype), np.zeros(size, dtype=bool)
    chunk_rows = dataset.chunks[0]
    for begin in range(first // chunk_rows * chunk_rows, first + size, chunk_rows):
        low, high = max(begin, first), min(begin + chunk_rows, first + size)
        try:
            values[low - first : high - first] = dataset[low:high]
        except DAMAGE:
            continue
        good[low - first : high - first] = True
    return Rows(values, good)


def _pad(values: np.ndarray, good: np.ndarray, size: int) -> Rows:
    """Lengthens both to ``size`` with rows that are not good."""
    short = size - len(values)
    if short <= 0:
        return Rows(values, good)
    padding = np.zeros(short, dtype=values.dtype)
    return Rows(np.concatenate((values, padding)), np.concatenate((good, np.zeros(short, dtype=bool))))
