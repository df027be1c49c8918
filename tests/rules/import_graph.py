"""Reads who imports whom in a package: every import statement, inside functions and ``TYPE_CHECKING`` blocks too."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "bench" / "whirlbench"
ONLY_A_WORD = "__version__"  # taken from the root of the package without an arrow: it needs nothing


@dataclass(frozen=True)
class Import:
    """One imported name: the file's dotted name, the module it takes, and where the statement stands."""

    importer: str
    module: str
    line: int
    in_function: bool = False
    for_types: bool = False

    def __str__(self) -> str:
        return f"{self.importer}:{self.line} -> {self.module}"


def modules_of(package: Path) -> dict[str, Path]:
    """Dotted name of every file under ``package``; an ``__init__`` has the name of its folder."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports_of(package: Path) -> list[Import]:
    """All imports of all files under ``package``, of its own modules and of others; own modules by the file meant."""
    modules = modules_of(package)
    return [
        found for name, path in modules.items() for found in _read(name, path.read_text(encoding="utf-8"), set(modules))
    ]


@cache
def own_imports() -> list[Import]:
    """Those of the program, read once."""
    return imports_of(PACKAGE)


def arrows(imports: Iterable[Import], package: str = "whirlbench") -> list[Import]:
    """The imports that lead to another file of ``package``, each once."""
    own = (one for one in imports if one.module.split(".")[0] == package and one.module != one.importer)
    return list(dict.fromkeys(own))


def _read(importer: str, text: str, modules: set[str]) -> Iterator[Import]:
    for node, in_function, for_types in _statements(ast.parse(text), False, False):
        for module in _named(node, importer, modules):
            yield Import(importer, module, node.lineno, in_function, for_types)


def _statements(node: ast.AST, in_function: bool, for_types: bool) -> Iterator[tuple[ast.stmt, bool, bool]]:
    """Import statements under ``node``, with whether they stand in a function or only serve types."""
    if isinstance(node, (ast.Import, ast.ImportFrom)):
        yield node, in_function, for_types
        return
    inside = in_function or isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda))
    typing = for_types or (isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test))
    for child in ast.iter_child_nodes(node):
        yield from _statements(child, inside, typing)


def _named(node: ast.stmt, importer: str, modules: set[str]) -> Iterator[str]:
    """Modules that a statement names; of ``from a import b`` it is ``a.b`` where that is a file, else ``a``."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        assert node.level == 0, f"{importer}:{node.lineno}: relative imports hide their arrow: name the package"
        for alias in node.names:
            full = f"{node.module}.{alias.name}"
            if alias.name != ONLY_A_WORD:
                yield full if full in modules else str(node.module)


def circles(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, ...]]:
    """The strongly connected components with more than one member, each sorted; (importer, imported) in."""
    follows: dict[str, set[str]] = {}
    for first, second in pairs:
        if first != second:
            follows.setdefault(first, set()).add(second)
    reach = {node: _reached(node, follows) for node in follows}
    knots = {tuple(sorted(other for other in reach[node] if node in reach.get(other, ()))) for node in reach}
    return sorted(knot for knot in knots if knot)


def _reached(start: str, follows: dict[str, set[str]]) -> set[str]:
    found: set[str] = set()
    waiting = [start]
    while waiting:
        for node in follows.get(waiting.pop(), set()) - found:
            found.add(node)
            waiting.append(node)
    return found


def knots(imports: Iterable[Import], group: Callable[[str], str] = str) -> list[str]:
    """Circles among groups of files, each with the arrows that tie it, in lines for a person."""
    own = [one for one in arrows(imports) if group(one.importer) != group(one.module)]
    found = []
    for members in circles((group(one.importer), group(one.module)) for one in own):
        ties = [f"    {one}" for one in own if {group(one.importer), group(one.module)} <= set(members)]
        found.append("\n".join([" <-> ".join(members), *ties]))
    return found
