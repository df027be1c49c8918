"""Builds an empty recording in an open HDF5 file: groups, datasets, attributes, texts.

Everything is created before the first sample: a file in SWMR mode takes no new dataset, attribute or variable text.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import msgspec
import numpy as np

from whirlbench import __version__
from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.layout import (
    BLOCK_ROW,
    ENDING,
    ENDING_ROW,
    FORMAT,
    INTEGRITY,
    TEXTS,
    Column,
    Stream,
    extra_column,
    missing,
    streams,
)

LIBRARY_FORMAT = ("v110", "v110")  # oldest with SWMR and a checksum on all its structure; read by HDF5 1.10 and later
STRUCTURE_BYTES = 65536  # structure is kept together at the front, so that a file that was cut keeps it
# Each dataset keeps chunks in memory, 8 MB of them unless told otherwise (HDF5 2.0), and there are thirty datasets: a
# recorder grew by a megabyte for each it wrote, a reader by all it had read. One chunk of each is enough.
CHUNK_CACHE_BYTES = 65536
GZIP_LEVEL = 1  # higher levels saved 2 % and cost a third more time when measured


@dataclass(frozen=True)
class Storage:
    """How a column is stored: rows a chunk, compressed or not."""

    chunk_rows: int
    gzip: bool = False

    def options(self) -> dict[str, Any]:
        """Arguments for h5py."""
        packed = {"compression": "gzip", "compression_opts": GZIP_LEVEL, "shuffle": True} if self.gzip else {}
        return {"chunks": (self.chunk_rows,), "maxshape": (None,), "fletcher32": True, **packed}


def create_file(path: Path) -> h5py.File:
    """A new, empty HDF5 file; RecordingError when ``path`` exists or cannot be written."""
    try:
        return h5py.File(
            path, "x", libver=LIBRARY_FORMAT, meta_block_size=STRUCTURE_BYTES, rdcc_nbytes=CHUNK_CACHE_BYTES
        )
    except FileExistsError as error:
        raise RecordingError(
            f"{path}: already exists; recordings are never overwritten, choose another name"
        ) from error
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else error  # h5py's own words fill a line and say no more
        raise RecordingError(f"{path}: cannot be written ({reason})") from error


def build(file: h5py.File, attributes: RunAttributes, dtype: str) -> tuple[Stream, ...]:
    """Fills ``file`` with the groups, texts and empty datasets of a recording to be; returns its streams."""
    build_attributes(file, attributes)
    layout = streams(dtype, tuple(extra_column(*one) for one in attributes.extra))
    for stream in layout:
        for column in stream.columns:
            create_column(file, column, Storage(stream.live_rows))
    create_bookkeeping(file, layout)
    return layout


def create_column(file: h5py.File, column: Column, storage: Storage) -> h5py.Dataset:
    """The empty dataset of ``column``, with unit, description and time base."""
    # Rows that a full disk did not take show as missing in any tool, not as zeros that nobody measured.
    blank = missing(column.dtype) if column.dtype.kind in "fiu" else None
    dataset = file.create_dataset(column.path, (0,), column.dtype, fillvalue=blank, **storage.options())
    for name, value in (("unit", column.unit), ("description", column.description), ("time_base", column.time_base)):
        if value:
            dataset.attrs[name] = np.bytes_(value.encode())
    return dataset


def create_bookkeeping(file: h5py.File, layout: tuple[Stream, ...]) -> None:
    """The table of checksums for the columns of ``layout``, and the place for the ending."""
    blocks = file.create_dataset(INTEGRITY, (0,), BLOCK_ROW, **Storage(256).options())
    paths = [column.path for stream in layout for column in stream.columns]
    blocks.attrs["columns"] = np.array(paths, dtype="S")
    blocks.attrs["description"] = np.bytes_("CRC-32 of the bytes of each block of rows, by number of the column")
    file.create_dataset(ENDING, (0,), ENDING_ROW, **Storage(1).options())


def build_attributes(file: h5py.File, attributes: RunAttributes) -> None:
    """Groups and attributes, rig, plan, calibration and firmware of ``attributes``."""
    texts = {
        "format": FORMAT,
        "created": attributes.created,
        "origin": attributes.origin,
        "clearance": attributes.clearance,
        "program": f"whirlbench {__version__}",
    }
    for name, text in texts.items():
        file.attrs[name] = np.bytes_(text.encode())
    file.attrs["format_version"] = attributes.format_version
    file.attrs["counted"] = int(attributes.counted)
    if attributes.random_seed is not None:
        file.attrs["random_seed"] = attributes.random_seed
    for group in ("slow", "tach", "vibration", "events", "notes", "counters"):
        file.create_group(group)
    file["tach"].attrs["pulses_per_rev"] = attributes.pulses_per_rev
    file["vibration"].attrs["rate_hz"] = attributes.vibration_rate_hz
    file["vibration"].attrs["g_per_count"] = attributes.g_per_count
    _write_texts(file, attributes)


def _write_texts(file: h5py.File, attributes: RunAttributes) -> None:
    firmware = msgspec.json.encode(attributes.firmware).decode()
    texts = (attributes.rig_text, attributes.plan_text, attributes.calibration_json(), firmware)
    for name, text in zip(TEXTS, texts, strict=True):
        raw = np.array([text.encode()], dtype=f"S{max(len(text.encode()), 1)}")
        file.create_dataset(f"header/{name}", data=raw, chunks=(1,), fletcher32=True)
