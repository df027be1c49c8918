"""No circle among files, among sub-packages or among packages, and none hidden behind ``TYPE_CHECKING``."""

from __future__ import annotations

from pathlib import Path

import pytest
from import_graph import Import, arrows, circles, imports_of, knots, own_imports


def package(module: str) -> str:
    """The package a module is in: ``whirlbench.session``; a file at the top is its own."""
    return ".".join(module.split(".")[:2])


def folder_of(module: str) -> str:
    """The sub-package a module is in: ``whirlbench.session.engine``; a file beside sub-packages is its own."""
    return ".".join(module.split(".")[:3])


def type_only_inside(imports: list[Import]) -> list[str]:
    """Imports under ``TYPE_CHECKING`` that stay inside one package: there they only hide a circle."""
    return [str(one) for one in arrows(imports) if one.for_types and package(one.importer) == package(one.module)]


def test_no_circle_among_files() -> None:
    found = knots(own_imports())
    assert not found, "circles among files:\n" + "\n".join(found)


@pytest.mark.parametrize("group", [folder_of, package])
def test_no_circle_among_packages(group) -> None:
    found = knots(own_imports(), group)
    assert not found, "circles:\n" + "\n".join(found)


def test_no_type_checking_import_inside_a_package() -> None:
    found = type_only_inside(own_imports())
    assert not found, "import it plainly; where that makes a circle, the structure is wrong:\n" + "\n".join(found)


# --- the rules themselves, on small trees ---------------------------------------------------------------------------


def tree(root: Path, files: dict[str, str]) -> list[Import]:
    """Imports of a made-up package: text by the file's path without ``.py``."""
    for name, text in {"__init__": "", **files}.items():
        path = root / "whirlbench" / f"{name}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return imports_of(root / "whirlbench")


def test_a_straight_line_is_no_circle(tmp_path) -> None:
    found = tree(
        tmp_path, {"rig/a": "from whirlbench.rig.b import x", "rig/b": "import whirlbench.rig.c", "rig/c": "x = 1"}
    )
    assert [str(one) for one in arrows(found)] == [
        "whirlbench.rig.a:1 -> whirlbench.rig.b",
        "whirlbench.rig.b:1 -> whirlbench.rig.c",
    ]
    assert not knots(found) and not type_only_inside(found)


@pytest.mark.parametrize(
    "back",
    [
        "from whirlbench.rig.a import x",
        "import whirlbench.rig.a",
        "from whirlbench.rig import a",
        "def f():\n    from whirlbench.rig.a import x",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from whirlbench.rig.a import x",
        "import typing\nif typing.TYPE_CHECKING:\n    import whirlbench.rig.a",
        "try:\n    import whirlbench.rig.a\nexcept ImportError:\n    pass",
    ],
)
def test_a_circle_of_files_is_found_wherever_the_import_stands(tmp_path, back: str) -> None:
    found = knots(
        tree(tmp_path, {"rig/a": "import whirlbench.rig.b", "rig/b": "import whirlbench.rig.c", "rig/c": back})
    )
    assert len(found) == 1 and found[0].startswith("whirlbench.rig.a <-> whirlbench.rig.b <-> whirlbench.rig.c\n")


def test_a_circle_of_sub_packages_without_one_of_files_is_found(tmp_path) -> None:
    forth, back = "import whirlbench.session.plan.a", "import whirlbench.session.engine.b"
    found = tree(
        tmp_path, {"session/engine/a": forth, "session/engine/b": "", "session/plan/a": "", "session/plan/b": back}
    )
    assert not knots(found)
    assert len(knots(found, folder_of)) == 1 and not knots(found, package)


def test_a_circle_of_packages_is_found(tmp_path) -> None:
    found = tree(
        tmp_path, {"rig/a": "import whirlbench.link.a", "link/a": "", "link/b": "import whirlbench.rig.b", "rig/b": ""}
    )
    assert not knots(found, folder_of) and len(knots(found, package)) == 1


def test_a_file_that_asks_its_own_front_is_a_circle(tmp_path) -> None:
    files = {"rig/__init__": "from whirlbench.rig.a import x", "rig/a": "from whirlbench.rig import y"}
    assert knots(tree(tmp_path, files))


def test_an_import_for_types_is_told_inside_a_package_only(tmp_path) -> None:
    block = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import numpy\n    from whirlbench.{} import x"
    texts = block.format("rig.b")
    found = tree(tmp_path, {"rig/a": texts, "rig/b": "", "link/a": texts})
    assert type_only_inside(found) == ["whirlbench.rig.a:4 -> whirlbench.rig.b"]


def test_the_version_is_no_arrow_and_everything_else_of_the_root_is(tmp_path) -> None:
    found = tree(
        tmp_path, {"rig/a": "from whirlbench import __version__", "rig/b": "from whirlbench import open_recording"}
    )
    assert [str(one) for one in arrows(found)] == ["whirlbench.rig.b:1 -> whirlbench"]


def test_two_knots_stay_two() -> None:
    pairs = [("a", "b"), ("b", "a"), ("b", "c"), ("c", "d"), ("d", "c"), ("d", "e")]
    assert circles(pairs) == [("a", "b"), ("c", "d")]


def test_a_relative_import_is_refused(tmp_path) -> None:
    with pytest.raises(AssertionError, match="relative imports hide their arrow"):
        tree(tmp_path, {"rig/a": "from . import b"})
