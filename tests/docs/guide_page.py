"""Builds the guide as one HTML page: `python tests/docs/guide_page.py guide.html`.

The chapters are the Markdown files of `bench/docs/guide/`, then the pages of keys and words. The page needs nothing
beside it: pictures stand inside it, links between the chapters lead to places on it.
"""

from __future__ import annotations

import base64
import html
import re
import sys
from collections.abc import Sequence
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

TOP = Path(__file__).resolve().parents[2]
DOCS = TOP / "bench" / "docs"
GUIDE = DOCS / "guide"
CHAPTERS = (
    "index",
    "first_hour",
    "your_rig",
    "the_window",
    "wiring",
    "calibrating",
    "trial_of_trips",
    "the_day",
    "proof_spin",
    "tuning",
    "pitch_limits",
    "finding_a_failure",
    "balancing",
    "comparing_sets",
    "keeping_the_log",
    "cannot_tell",
    "troubles",
    "wire_and_file",
)
REFERENCE = ("rig_keys", "plan_keys", "glossary", "python", "worked_roots")
PAGES = (*(GUIDE / f"{name}.md" for name in CHAPTERS), *(DOCS / f"{name}.md" for name in REFERENCE))
KINDS = {".png": "image/png", ".svg": "image/svg+xml"}
STYLE = """
:root { color-scheme: light dark }
body { font: 16px/1.5 sans-serif; max-width: 62rem; margin: auto; padding: 0 1rem 4rem }
pre { background: #8881; border-left: 3px solid #888; padding: .6rem .8rem; overflow-x: auto }
code { font-size: .92em } img { max-width: 100%; background: #fff }
section { border-top: 1px solid #888; margin-top: 3rem }
table { border-collapse: collapse; font-size: .88em; display: block; overflow-x: auto }
th, td { border: 1px solid #8886; padding: .25rem .5rem; text-align: left; vertical-align: top }
nav ol { columns: 2 }
@media print { body { font-size: 10pt; max-width: none } section { break-before: page } nav ol { columns: 1 }
  pre, table { white-space: pre-wrap; display: table; overflow: visible } pre { display: block } }
"""


def anchor(page: Path, fragment: str = "") -> str:
    """Name of a place on the one page: a chapter, or a heading in it."""
    return f"{page.stem}-{fragment}" if fragment else page.stem


def slug(heading: str) -> str:
    """A heading as the part of a link after ``#``, as code hosts make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def target(page: Path, link: str) -> str:
    """Where ``link`` of ``page`` leads on the one page; empty for a file that is no part of it."""
    if "://" in link:
        return link
    name, _, fragment = link.partition("#")
    other = (page.parent / name).resolve() if name else page
    return f"#{anchor(other, fragment)}" if other in PAGES else ""


def _picture(page: Path, link: str) -> str:
    path = page.parent / link
    return f"data:{KINDS[path.suffix]};base64,{base64.b64encode(path.read_bytes()).decode()}"


def _adapt(page: Path, tokens: Sequence[Token]) -> None:
    """Links, pictures and places of one page as they are on the whole."""
    for before, token in zip([None, *tokens], tokens, strict=False):
        if before is not None and before.type == "heading_open" and before.tag != "h1":
            before.attrSet("id", anchor(page, slug(token.content)))
        for inner in token.children or ():
            if inner.type == "image":
                inner.attrSet("src", _picture(page, str(inner.attrGet("src"))))
            elif inner.type == "link_open":
                inner.attrSet("href", target(page, str(inner.attrGet("href"))) or f"#{anchor(page)}")


def title(page: Path) -> str:
    """The first heading of a page."""
    return page.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ")


def page_html() -> str:
    """The whole guide."""
    parser = MarkdownIt("commonmark").enable("table")
    sections = []
    for page in PAGES:
        tokens = parser.parse(page.read_text(encoding="utf-8"))
        _adapt(page, tokens)
        inside = parser.renderer.render(tokens, parser.options, {})
        sections.append(f'<section id="{anchor(page)}">\n{inside}</section>\n')
    listed = "".join(f'<li><a href="#{anchor(page)}">{html.escape(title(page))}</a></li>' for page in PAGES)
    head = f'<meta charset="utf-8"><title>Whirlbench: guide</title><style>{STYLE}</style>'
    nav = f"<nav><ol>{listed}</ol></nav>\n"
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>\n{nav}{"".join(sections)}</body></html>\n'


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(page_html(), encoding="utf-8", newline="\n")
