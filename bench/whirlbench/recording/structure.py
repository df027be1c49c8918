"""What the structure of a recording may be: everything inside its own file, and nothing that claims more than it holds.

HDF5 follows links and storage into other files, unpacks what it is given, and believes every length. A recording needs
none of that: what does not look as our writer makes it is refused by name before a byte of it is read.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from whirlbench.errors import RecordingError, shown
from whirlbench.recording.layout import MOST_CHUNK_BYTES, MOST_TEXT_BYTES

FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}
CHECKSUM_BYTES = 4
DEFLATE_SPARE = 1.001  # what cannot be packed grows by less than this share and 64 bytes (zlib's compressBound)
# A column of gaps packs to a five-hundredth, whole recordings to a tenth; zlib to a thousandth at best.
MOST_EXPANSION = 100
SMALL_BYTES = 1 << 24
MOST_ATTRIBUTE_BYTES = 1 << 16


class Structure:
    """The objects of an open file, each looked at before it is handed out."""

    def __init__(self, file: h5py.File, path: Path) -> None:
        """``path`` is named in complaints; its size bounds what the file may claim."""
        self._file, self._path = file, path
        self._claimed_bytes = 0

    def attributes(self, group: str, names: Iterable[str]) -> dict[str, Any]:
        """Those of ``names`` that the object at ``group`` ("" is the file) has; errors as HDF5 raises them."""
        found = self._object(group)
        present = [name for name in names if name in found.attrs]
        for name in present:
            attribute = h5py.h5a.open(found.id, name.encode())
            if attribute.get_storage_size() > MOST_ATTRIBUTE_BYTES or attribute.dtype.kind not in "SiufU":
                raise self._refusal(f"attribute {group}/{name}", "is no plain number or short text")
        return {name: found.attrs[name] for name in present}

    def dataset(self, name: str, most_chunk_bytes: int = MOST_CHUNK_BYTES) -> h5py.Dataset:
        """The dataset called ``name``.

        RecordingError when it is a link, lies in another file, or is stored as no recording stores it; KeyError or
        ValueError when there is none, or nothing that could have been ours.
        """
        dataset = self._object(name)
        if not isinstance(dataset, h5py.Dataset) or dataset.dtype.hasobject:
            raise ValueError(f"{name} is no plain dataset")
        plan = dataset.id.get_create_plist()
        if plan.get_external_count():
            raise self._refusal(name, f"keeps its data in another file ({_text(plan.get_external(0)[0])})")
        if plan.get_layout() == h5py.h5d.VIRTUAL:
            raise self._refusal(name, "is a view of data elsewhere (a virtual dataset)")
        if dataset.ndim != 1 or dataset.chunks is None:
            raise ValueError(f"{name} is not stored in chunks of rows")
        foreign = {plan.get_filter(place)[0] for place in range(plan.get_nfilters())} - FILTERS
        if foreign:
            raise self._refusal(name, f"is packed by a filter that no recording uses (number {min(foreign)})")
        if dataset.chunks[0] * dataset.dtype.itemsize > most_chunk_bytes:
            raise self._refusal(name, f"has chunks above {most_chunk_bytes} bytes")
        return dataset

    def names(self, group: str) -> tuple[str, ...]:
        """Names of what stands in ``group``, none when there is no such group; KeyError, ValueError when damaged."""
        try:
            found = self._object(group)
        except KeyError:
            return ()
        if not isinstance(found, h5py.Group):
            raise ValueError(f"{group} is no group")
        return tuple(found)

    def text(self, name: str) -> bytes:
        """The first row of the text dataset ``name``, up to the size a text may have."""
        dataset = self.dataset(name, MOST_TEXT_BYTES)
        if dataset.dtype.kind != "S" or self.stored_rows(dataset) < 1:
            raise ValueError(f"{name} is no text")
        return bytes(dataset[0])

    def stored_rows(self, dataset: h5py.Dataset) -> int:
        """Rows of ``dataset`` that the file really bears, at most its claimed length.

        RecordingError when chunks share their bytes, unpack to more than they may, or the whole file claims to hold
        more than a hundred times its size.
        """
        claimed, chunk_bytes = int(dataset.shape[0]), dataset.chunks[0] * dataset.dtype.itemsize
        file_bytes = self._path.stat().st_size  # one that is being written grows
        chunks: list[tuple[int, int, int]] = []
        try:
            dataset.id.chunk_iter(lambda one: chunks.append((one.chunk_offset[0], one.byte_offset, one.size)))
        except (OSError, RuntimeError, ValueError):  # part of the index is damaged: by size alone
            packed = dataset.compression is not None
            rows = file_bytes * (MOST_EXPANSION if packed else 1) // dataset.dtype.itemsize
        else:
            inside = [one for one in chunks if one[1] + one[2] <= file_bytes]
            rows = max((first + dataset.chunks[0] for first, _, _ in inside), default=0)
            self._check_chunks(dataset.name, inside, chunk_bytes)
        rows = int(min(rows, claimed))
        self._count(rows * dataset.dtype.itemsize, file_bytes)
        return rows

    def _check_chunks(self, name: str, chunks: list[tuple[int, int, int]], chunk_bytes: int) -> None:
        """``chunks``: first row, place and bytes of each."""
        largest = max((size for _, _, size in chunks), default=0)
        if largest > DEFLATE_SPARE * chunk_bytes + 64 + CHECKSUM_BYTES:
            raise self._refusal(name, f"has a chunk of {largest} bytes for {chunk_bytes}")
        if len({place for _, place, _ in chunks}) < len(chunks):
            raise self._refusal(name, "has chunks that share their bytes")

    def _count(self, more_bytes: int, file_bytes: int) -> None:
        self._claimed_bytes += more_bytes
        if self._claimed_bytes > MOST_EXPANSION * file_bytes + SMALL_BYTES:
            raise RecordingError(
                f"{self._path}: claims to hold more than {self._claimed_bytes / 1e6:.0f} MB in a file of "
                f"{file_bytes / 1e6:.1f} MB; no recording packs so well, it is refused"
            )

    def _object(self, name: str) -> Any:
        """The object called ``name``, reached by plain links alone."""
        here: Any = self._file
        for part in name.split("/") if name else ():
            link = here.get(part, getlink=True)
            if link is None:
                raise KeyError(f"{name} is not there")
            if isinstance(link, h5py.ExternalLink):
                raise self._refusal(name, f"is a link into another file ({shown(link.filename)})")
            if not isinstance(link, h5py.HardLink):
                raise self._refusal(name, f"is a link to another place ({shown(getattr(link, 'path', '?'))})")
            here = here[part]
        return here

    def _refusal(self, name: str | None, fault: str) -> RecordingError:
        return RecordingError(
            f"{self._path}: {name} {fault}; a recording holds its data itself, as whirlbench writes it: refused"
        )


def _text(name: Any) -> str:
    return shown(name.decode(errors="replace") if isinstance(name, bytes) else str(name))


def out_of_order(time_s: np.ndarray, after_s: float, longest_s: float) -> np.ndarray:
    """Which times are not finite, beyond ``longest_s`` on either side of zero, or not later than all before them.

    ``after_s``: the last time before them, -inf for none.
    """
    rising = len(time_s) > 0 and time_s[0] > after_s and bool(np.all(time_s[1:] > time_s[:-1]))
    if rising and abs(time_s[0]) <= longest_s and abs(time_s[-1]) <= longest_s:
        return np.zeros(len(time_s), dtype=bool)  # nearly always; saves four times the memory
    believable = np.abs(time_s) <= longest_s
    before = np.maximum.accumulate(np.concatenate(([after_s], np.where(believable, time_s, -np.inf))))[:-1]
    late: np.ndarray = ~believable | (time_s <= before)
    return late
