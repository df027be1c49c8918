"""A broken HDF5 file, shown to the library as one it can open; the file on disk is not touched.

A writer that died leaves the mark "open for writing" in the superblock, a file that was cut is shorter than its
superblock says, and a flipped bit there locks out everything. All three are mended in a copy of those 48 bytes. What
was cut off reads as a pattern that no checksum takes for data; zeros would not do, for their Fletcher-32 is zero.

HDF5 has a way of its own to open such files, as a reader beside a writer; but then it waits for hours for structure
that was cut off to appear, and reads zeros behind the end of the file.

Layout of the superblock: HDF5 File Format Specification 3.0, II.A "Version 2 and 3". Its checksum is Bob Jenkins's
lookup3 (public domain), written here from the description of the algorithm.
"""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path

SIGNATURE = b"\x89HDF\r\n\x1a\n"
SUPERBLOCK = struct.Struct("<8sBBBBQQQQ")  # signature, version, two widths, flags, base, extension, end, root
SUPERBLOCK_BYTES = SUPERBLOCK.size + 4
UNDEFINED = 2**64 - 1
ROOT_AT = SUPERBLOCK_BYTES  # our files begin with the root group, right behind the superblock
NO_DATA = b"\xa5"
WORD = 0xFFFFFFFF


class MendedFile(io.RawIOBase):
    """The bytes of the file at a path, read only, with a sound superblock and its full length."""

    def __init__(self, path: Path) -> None:
        """OSError when the file cannot be read."""
        super().__init__()
        self._file = open(path, "rb")  # noqa: SIM115 - closed by close()
        self._true_bytes = self._file.seek(0, io.SEEK_END)
        self._file.seek(0)
        self._head, self._bytes = mended_superblock(self._file.read(SUPERBLOCK_BYTES), self._true_bytes)
        self._at = 0

    def close(self) -> None:
        """Closes the file; harmless when it is closed."""
        self._file.close()
        super().close()

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """The present position."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Moves the present position, as files do."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._bytes}[whence]
        self._at = base + offset
        return self._at

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fills ``buffer`` from the present position on."""
        view = memoryview(buffer).cast("B")
        size = max(min(len(view), self._bytes - self._at), 0)
        self._file.seek(self._at)
        data = self._file.read(size)
        view[: len(data)] = data
        view[len(data) : size] = NO_DATA * (size - len(data))
        if self._at < len(self._head):
            part = self._head[self._at : self._at + size]
            view[: len(part)] = part
        self._at += size
        return size


def seal(path: Path) -> None:
    """Writes a sound superblock into the file at ``path``, whose writer is dead: any HDF5 tool opens it from then on.

    Nothing else is changed, and no room on the disk is needed. OSError when the file cannot be written.
    """
    with open(path, "rb+") as file:
        true_bytes = file.seek(0, io.SEEK_END)
        file.seek(0)
        head, _ = mended_superblock(b"", true_bytes)  # its length is what is there: nothing unwritten is read
        file.seek(0)
        file.write(head)
        file.flush()
        os.fsync(file.fileno())


def mended_superblock(found: bytes, true_bytes: int) -> tuple[bytes, int]:
    """(a sound superblock, length of the file by it); where ``found`` is damaged, what our own files have there."""
    end = true_bytes
    if len(found) == SUPERBLOCK_BYTES and struct.unpack("<I", found[-4:])[0] == lookup3(found[:-4]):
        end = max(end, SUPERBLOCK.unpack_from(found)[7])
    sound = SUPERBLOCK.pack(SIGNATURE, 3, 8, 8, 0, 0, UNDEFINED, end, ROOT_AT)
    return sound + struct.pack("<I", lookup3(sound)), end


def lookup3(data: bytes) -> int:
    """Jenkins's 32-bit hash lookup3 (little-endian, start value 0) of ``data``.

    >>> hex(lookup3(b"Four score and seven years ago"))
    '0x17770551'
    """
    a = b = c = (0xDEADBEEF + len(data)) & WORD
    padded = data + bytes(-len(data) % 12)
    words = struct.unpack(f"<{len(padded) // 4}I", padded)
    if not words:
        return c
    for at in range(0, len(words) - 3, 3):
        a, b, c = _mix((a + words[at]) & WORD, (b + words[at + 1]) & WORD, (c + words[at + 2]) & WORD)
    return _final((a + words[-3]) & WORD, (b + words[-2]) & WORD, (c + words[-1]) & WORD)


def _turn(value: int, bits: int) -> int:
    return (value << bits | value >> (32 - bits)) & WORD


def _mix(a: int, b: int, c: int) -> tuple[int, int, int]:
    for bits in (4, 6, 8, 16, 19, 4):
        a = ((a - c) & WORD) ^ _turn(c, bits)
        c = (c + b) & WORD
        a, b, c = b, c, a
    return a, b, c


def _final(a: int, b: int, c: int) -> int:
    for bits in (14, 11, 25, 16, 4, 14, 24):
        c = ((c ^ b) - _turn(b, bits)) & WORD
        a, b, c = b, c, a
    return b
