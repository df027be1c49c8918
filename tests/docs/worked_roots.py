"""Writes ``bench/docs/worked_roots.md``: three rigs worked line by line, by the lines the check itself shows.

After a change of the check run ``python tests/docs/worked_roots.py``.
"""

from __future__ import annotations

from pathlib import Path

from whirlbench.analysis.strength import check_strength, worked_sets
from whirlbench.rig.toml import read_rig

DOCS = Path(__file__).resolve().parents[2] / "bench" / "docs"
RIGS = ("printed_one_bolt", "moulded_two_bolt", "clamped_wood")
SPEED_RPM = 3500.0
HEAD = f"""\
# Three roots worked by hand

Written by `python tests/docs/worked_roots.py`: do not edit; a test works every line again. The rigs stand in
`worked_roots/`, each judged at {SPEED_RPM:.0f} rpm. Invented for the demonstration: measure your own. The figures are
an aid to judgement, not a licence; people stay out of the plane of rotation.
"""


def worked(name: str):
    """(check, its worked sets) of one rig."""
    rig, _ = read_rig(DOCS / "worked_roots" / f"{name}.toml")
    check = check_strength(rig, speed_rpm=SPEED_RPM)
    return check, worked_sets(check, rig)


def page_text() -> str:
    """The whole page as Markdown."""
    return HEAD + "".join(_section(name) for name in RIGS)


def _section(name: str) -> str:
    check, sets = worked(name)
    (one,) = sets
    rows = [
        f"| {line.what} | {line.formula} | {line.shown_numbers} | {line.result:.5g} {line.unit} |" for line in one.lines
    ]
    remarks = "".join(f"- {remark}\n" for remark in (*one.remarks, *check.assumptions))
    told = f"\n## {one.title}\n\nRig: [`{name}.toml`](worked_roots/{name}.toml).\n\n"
    return told + "| what | formula | numbers | result |\n|---|---|---|---|\n" + "\n".join(rows) + f"\n\n{remarks}"


if __name__ == "__main__":
    (DOCS / "worked_roots.md").write_text(page_text(), encoding="utf-8", newline="\n")
