"""Files that a user names, opened so that nothing else can answer: no pipe that never ends, no device, no folder."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from whirlbench.errors import BenchError

KINDS = {
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
}
AT_ONCE = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)  # a pipe that nobody writes to opens at once


def open_regular(path: Path | str, error_kind: type[BenchError], purpose: str = "") -> BinaryIO:
    """The regular file at ``path``, open for reading bytes; ``error_kind`` in one line for anything else.

    ``purpose`` says what it was to be, such as " as a rig file".
    """
    try:
        number = os.open(path, os.O_RDONLY | AT_ONCE)
    except (OSError, ValueError) as error:  # a name with a zero byte is no name
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise error_kind(f"{path}: cannot be read{purpose} ({reason})") from error
    kind = stat.S_IFMT(os.fstat(number).st_mode)
    if kind != stat.S_IFREG:
        os.close(number)
        raise error_kind(f"{path}: cannot be read{purpose} (it is {KINDS.get(kind, 'no file')}); expected a file")
    return os.fdopen(number, "rb")


def read_bytes(path: Path | str, most_bytes: int, error_kind: type[BenchError], purpose: str = "") -> bytes:
    """All of the regular file at ``path``; ``error_kind`` in one line when it is none, or above ``most_bytes``."""
    with open_regular(path, error_kind, purpose) as file:
        try:
            raw = file.read(most_bytes + 1)
        except OSError as error:
            raise error_kind(f"{path}: cannot be read{purpose} ({error.strerror or error})") from error
    if len(raw) > most_bytes:
        raise error_kind(f"{path}: cannot be read{purpose} (larger than {most_bytes:,} bytes); expected a smaller file")
    return raw
