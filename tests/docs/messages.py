"""The messages that a user can meet, collected from the sources: what is raised, and what complaints are made of.

A message is shown with an ellipsis where a value stands. Messages that are composed entirely elsewhere (``raise
RigError(complaint)``) are met where their words stand, in `COMPLAINTS`.
"""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
PACKAGE = TOP / "bench" / "whirlbench"
RAISED = {"BenchError", "RigError", "LinkError", "RecordingError", "CalibrationError", "PlanError", "LogError"}
RAISED |= {"AnalysisError", "UsageError", "BadParameter", "ClickException", "CannotBeProvoked", "OpenQuestion"}
# Files whose sentences are complaints that others raise, show or enter: all their texts of several words count.
COMPLAINTS = (
    "calibration/sensor_ranges.py",
    "link/conversation.py",
    "rig/blade_set_rules.py",
    "rig/rules.py",
    "rig/size_rules.py",
    "session/engine/device_limits.py",
    "session/engine/heartbeat.py",
    "session/plan/clearance.py",
    "session/plan/feasibility.py",
    "session/plan/narrowing.py",
)
LEAST_WORDS = 4
GAP = "…"


@dataclass(frozen=True)
class Message:
    """A message: the file it stands in, below the package, and its words."""

    file: str
    text: str


@functools.cache
def collected(root: Path = PACKAGE) -> list[Message]:
    """Every message, each once, in the order of the files."""
    found = [message for path in sorted(root.rglob("*.py")) for message in _in_file(path, root)]
    return list(dict.fromkeys(found))


def _in_file(path: Path, root: Path) -> Iterator[Message]:
    name, tree = path.relative_to(root).as_posix(), ast.parse(path.read_text(encoding="utf-8"))
    texts = [text for node in ast.walk(tree) if isinstance(node, ast.Raise) for text in _raised(node)]
    if name in COMPLAINTS:
        texts += _sentences(tree)
    yield from (Message(name, text) for text in texts if len(_words(text)) >= LEAST_WORDS)


def _words(text: str) -> list[str]:
    """What somebody can search for: no gaps, no signs alone."""
    return [word for word in text.replace(GAP, " ").split() if any(sign.isalpha() for sign in word)]


def _raised(node: ast.Raise) -> Iterator[str]:
    call = node.exc
    if isinstance(call, ast.Call) and call.args:
        name = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
        if name in RAISED:
            yield told(call.args[0])


def _sentences(tree: ast.Module) -> list[str]:
    """Texts of a file that are neither docstrings, nor parts of longer ones, nor words of a declaration."""
    inner = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    documents = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = []
    for node in ast.walk(tree):
        plain = isinstance(node, ast.Constant) and isinstance(node.value, str)
        whole = isinstance(node, ast.JoinedStr) or (plain and id(node) not in inner)
        if whole and id(node) not in documents:
            texts.append(told(node))
    return texts


def told(node: ast.AST) -> str:
    """The words of a text in the sources, an ellipsis for each value in it."""
    return " ".join(_with_gaps(node).split())


def _with_gaps(node: ast.AST) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_with_gaps(part) for part in node.values)
    if isinstance(node, ast.BinOp):
        return f"{_with_gaps(node.left)}{_with_gaps(node.right)}"
    return GAP
