"""The import table of the architecture: an arrow that is not listed here is a mistake or a decision to be recorded."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "bench" / "whirlbench"
SHARED_WORDS = {"errors", "units", "samples"}
MAY_IMPORT: dict[str, set[str]] = {
    "rig": {"physics"},
    "physics": set(),
    "link": set(),
    "calibration": {"rig"},
    "safety": {"rig"},
    "recording": {"rig", "calibration", "link"},
    "analysis": {"rig", "physics"},
    "simulator": {"rig", "physics", "link", "safety"},
    "session": {"rig", "calibration", "link", "safety", "recording"},
    "results": {"rig", "recording", "analysis", "safety"},
    "report": {"rig", "physics", "recording", "analysis", "results"},
    "window": {"rig", "calibration", "safety", "recording", "analysis", "results", "report", "session"},
}
MAY_IMPORT["cli"] = set(MAY_IMPORT) | {"cli"}
MAY_IMPORT["__main__"] = {"cli"}
HEAVY = ("PyQt5", "pyqtgraph", "scipy", "matplotlib")


def python_files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def package_of(path: Path) -> str:
    """The package a file belongs to; a module at the top of ``bench`` is its own."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_modules(tree: ast.AST) -> Iterator[str]:
    """Every module named by an import statement anywhere in ``tree``, inside functions too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide their arrow: name the package"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def bench_packages(modules: Iterator[str]) -> set[str]:
    parts = (module.split(".") for module in modules)
    return {part[1] for part in parts if part[0] == "whirlbench" and len(part) > 1 and not part[1].startswith("__")}


@pytest.mark.parametrize("path", python_files(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_file_imports_only_what_its_package_may(path: Path) -> None:
    package = package_of(path)
    allowed = MAY_IMPORT.get(package, set()) | SHARED_WORDS | {package}
    foreign = bench_packages(imported_modules(ast.parse(path.read_text(encoding="utf-8")))) - allowed
    assert not foreign, f"{package} may not import {sorted(foreign)}; see the table in DEVELOPERS.md"


def outside_window() -> list[Path]:
    """All files but the window's, which is imported by its own verb only."""
    return [path for path in python_files() if package_of(path) != "window"]


@pytest.mark.parametrize("path", outside_window(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_slow_libraries_are_imported_inside_functions(path: Path) -> None:
    body = ast.parse(path.read_text(encoding="utf-8")).body
    top_level = ast.Module([node for node in body if isinstance(node, (ast.Import, ast.ImportFrom))], [])
    slow = [module for module in imported_modules(top_level) if module.split(".")[0] in HEAVY]
    assert not slow, f"{slow} cost start-up time: import them inside the function that needs them"


def test_the_table_knows_every_package() -> None:
    packages = {path.name for path in PACKAGE.iterdir() if path.is_dir() and (path / "__init__.py").exists()}
    assert packages == set(MAY_IMPORT) - {"__main__"}
