"""What a surface shows, to hold one against another: a page's words, a verb's output, a document's numbers."""

from __future__ import annotations

import html
import io
import re
from contextlib import redirect_stderr, redirect_stdout

from whirlbench.cli.main import run as command_line


def words(page: str) -> str:
    text = re.sub(r"<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def spoken(*arguments: str) -> str:
    out = io.StringIO()
    with redirect_stdout(out), redirect_stderr(io.StringIO()):
        command_line(list(arguments))
    return out.getvalue()


def numbers(document: object) -> list[object]:
    """Every leaf of a document in its order, file names apart."""
    if isinstance(document, dict):
        return [leaf for key, item in document.items() if key != "source" for leaf in numbers(item)]
    if isinstance(document, list):
        return [leaf for item in document for leaf in numbers(item)]
    return [] if isinstance(document, str) else [document]
