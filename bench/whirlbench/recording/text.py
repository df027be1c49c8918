"""Text in fields of fixed width, as UTF-8 that is never cut inside a character."""

from __future__ import annotations

from whirlbench.errors import shown


def fixed(text: str, width: int) -> bytes:
    """``text`` in at most ``width`` bytes; what does not fit is left out, and dots say so."""
    pieces = cut_text(text, width)
    if len(pieces) == 1:
        return pieces[0]
    return cut_text(text, width - 3)[0] + b"..."


def cut_text(text: str, width: int) -> list[bytes]:
    """``text`` in pieces of at most ``width`` bytes (4 or more); at least one, which may be empty."""
    raw = text.replace("\0", " ").encode("utf-8", errors="replace")
    pieces = []
    while len(raw) > width:
        end = width
        while raw[end] & 0xC0 == 0x80:  # a continuation byte: the character began earlier
            end -= 1
        pieces.append(raw[:end])
        raw = raw[end:]
    return [*pieces, raw]


def plain(raw: bytes) -> str:
    """Text of a field as it may go to a screen; bytes that are not UTF-8 show as a replacement character.

    Line ends and tabs stay, for notes and for the rig's own text; what else does not print is written as an escape.
    """
    return shown(decoded(raw), keep="\n\t\r")


def decoded(raw: bytes) -> str:
    """Text of a field as it was written; bytes that are not UTF-8 show as a replacement character."""
    return bytes(raw).rstrip(b"\0").decode("utf-8", errors="replace")
