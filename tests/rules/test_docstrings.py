"""Every public module, class and function of the package says what it is."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "bench" / "whirlbench"
DEFINITIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.read_text(encoding="utf-8").strip())


def undocumented(node: ast.Module | ast.ClassDef, prefix: str = "") -> Iterator[str]:
    """Names of public definitions without a docstring; overridden library hooks are the library's to explain."""
    for child in node.body:
        if not isinstance(child, DEFINITIONS) or child.name.startswith("_"):
            continue
        if ast.get_docstring(child) is None and not overrides_a_library_hook(node, child):
            yield prefix + child.name
        if isinstance(child, ast.ClassDef):
            yield from undocumented(child, f"{child.name}.")


def overrides_a_library_hook(owner: ast.Module | ast.ClassDef, child: ast.AST) -> bool:
    """Whether ``child`` is a method whose class has a base outside this project's own vocabulary (Qt, click)."""
    if not isinstance(owner, ast.ClassDef) or isinstance(child, ast.ClassDef):
        return False
    bases = {ast.unparse(base).split(".")[0] for base in owner.bases}
    return bool(bases & {"QtWidgets", "QtCore", "QtGui", "pg", "click"})


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_public_things_have_docstrings(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module does not say what it holds"
    missing = list(undocumented(tree))
    assert not missing, f"no docstring: {missing}"
