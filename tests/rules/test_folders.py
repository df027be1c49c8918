"""Folders that one can take in at a glance, and tests that stand where what they test stands."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from import_graph import PACKAGE, imports_of

TESTS = Path(__file__).resolve().parents[1]
MOST_FILES = 14
NOT_COUNTED = {"__init__.py", "conftest.py"}
# Folders of tests that mirror no package: what they are for stands in DEVELOPERS.md.
OWN_FOLDERS = {"published", "foreign", "vectors", "data", "system", "firmware", "rules", "benchmarks", "docs"}


def crowded(root: Path) -> list[str]:
    """Folders under ``root`` with too many files of Python, with how many."""
    folders = [root, *(path for path in sorted(root.rglob("*")) if path.is_dir())]
    counts = {folder: len([path for path in folder.glob("*.py") if path.name not in NOT_COUNTED]) for folder in folders}
    return [f"{folder.relative_to(root)}: {count} files" for folder, count in counts.items() if count > MOST_FILES]


def mirroring(tests: Path) -> Iterator[Path]:
    """The files of tests in folders that stand for a package."""
    for path in sorted(tests.rglob("test_*.py")):
        parts = path.relative_to(tests).parts
        if parts[0] not in OWN_FOLDERS and len(parts) > 1:
            yield path


def modules_by_test(tests: Path) -> dict[Path, set[str]]:
    """What each test that stands for a package imports, itself or by a helper, by the file's path under ``tests``."""
    taken: dict[str, set[str]] = {}
    for one in imports_of(tests):
        taken.setdefault(one.importer, set()).add(one.module)
    by_helper = {name.rsplit(".", 1)[1]: modules for name, modules in taken.items() if ".test_" not in name}
    found = {}
    for path in mirroring(tests):
        own = taken.get(".".join(path.relative_to(tests.parent).with_suffix("").parts), set())
        found[path.relative_to(tests)] = own.union(*(by_helper.get(module, ()) for module in own))
    return found


def misplaced(tests: Path, package: Path) -> list[str]:
    """Tests whose folder is no package, or that import nothing of the package their folder stands for."""
    found = []
    for path, modules in modules_by_test(tests).items():
        name = ".".join((package.name, *path.parent.parts))
        if not (package / path.parent).is_dir():
            found.append(f"{path}: there is no {name}")
        elif not any(f"{module}.".startswith(f"{name}.") for module in modules):
            found.append(f"{path}: imports nothing of {name}")
    return found


def too_high(tests: Path, package: Path) -> list[str]:
    """Tests that import of their package one sub-package alone: they belong into its folder."""
    found = []
    for path, modules in modules_by_test(tests).items():
        name = ".".join((package.name, *path.parent.parts, ""))
        below = {module.removeprefix(name).split(".")[0] for module in modules if module.startswith(name)}
        if len(below) == 1 and (package / path.parent / min(below)).is_dir():
            found.append(f"{path}: tests {name}{min(below)} alone")
    return found


@pytest.mark.parametrize("root", [PACKAGE, TESTS], ids=["package", "tests"])
def test_no_folder_is_crowded(root: Path) -> None:
    found = crowded(root)
    assert not found, f"more than {MOST_FILES} files in a folder:\n" + "\n".join(found)


@pytest.mark.parametrize("rule", [misplaced, too_high])
def test_the_folders_of_tests_mirror_the_packages(rule) -> None:
    found = rule(TESTS, PACKAGE)
    assert not found, "tests that stand elsewhere than what they test:\n" + "\n".join(found)


# --- the rules themselves, on made-up folders -----------------------------------------------------------------------


def put(root: Path, *names: str, text: str = "") -> Path:
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root


def test_the_fifteenth_file_crowds_a_folder(tmp_path) -> None:
    put(
        tmp_path, *(f"a/b/file_{number}.py" for number in range(14)), "a/b/__init__.py", "a/b/conftest.py", "a/b/x.toml"
    )
    assert not crowded(tmp_path)
    put(tmp_path, "a/b/one_more.py")
    assert crowded(tmp_path) == ["a/b: 15 files"]


def test_a_test_in_a_folder_without_a_package_is_told(tmp_path) -> None:
    package = put(tmp_path / "whirlbench", "rig/toml.py", "session/plan/steps.py", "session/plan/rules.py")
    tests = put(tmp_path / "tests", "rig/test_a.py", text="import whirlbench.rig.toml")
    put(tests, "published/test_b.py", "test_c.py")
    assert not misplaced(tests, package) and not too_high(tests, package)
    put(tests, "plan/test_d.py", text="import whirlbench.session.plan.steps")
    put(tests, "session/plan/test_e.py", text="import whirlbench.rig.toml")
    put(tests, "session/engine_host.py", text="import whirlbench.session.plan.steps")
    put(tests, "session/plan/test_f.py", text="import engine_host")
    assert misplaced(tests, package) == [
        "plan/test_d.py: there is no whirlbench.plan",
        "session/plan/test_e.py: imports nothing of whirlbench.session.plan",
    ]


def test_a_test_of_one_sub_package_stands_in_its_folder(tmp_path) -> None:
    package = put(tmp_path / "whirlbench", "session/plan/steps.py", "session/engine/engine.py", "session/loose.py")
    tests = put(tmp_path / "tests", "session/test_a.py", text="def test():\n    import whirlbench.session.plan.steps")
    put(tests, "session/test_b.py", text="import whirlbench.session.plan.steps, whirlbench.session.engine.engine")
    put(tests, "session/test_c.py", text="import whirlbench.session.loose")
    assert too_high(tests, package) == ["session/test_a.py: tests whirlbench.session.plan alone"]
