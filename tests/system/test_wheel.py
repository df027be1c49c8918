"""What a user installs: the wheel, built and installed apart from this checkout, beside a stranger's ``bench``."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from whirlbench import __version__

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "bench" / "whirlbench"
BIN = "Scripts" if os.name == "nt" else "bin"


def run(*command: object, cwd: Path) -> str:
    """What a command prints; it must end with 0 and sees neither this checkout nor its environment's paths."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    words = [str(word) for word in command]
    done = subprocess.run(words, cwd=cwd, env=environment, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """The wheel, built from a copy: a build leaves folders behind."""
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    shutil.copytree(ROOT / "bench", source / "bench", ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", "out", ".", cwd=source)
    return next((source / "out").glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory) -> Path:
    """The command of a new environment that holds the wheel and, by a path file, the dependencies of this one."""
    home = tmp_path_factory.mktemp("clean")
    run(sys.executable, "-m", "venv", "--without-pip", home, cwd=home)
    python = home / BIN / "python"
    pip = (sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", "--no-index")
    run(*pip, wheel, cwd=home)
    site = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=home).strip())
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return home / BIN / "whirlbench"


@pytest.fixture
def strangers_folder(tmp_path) -> Path:
    """A folder with a package ``bench`` that nobody may import."""
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "__init__.py").write_text("raise RuntimeError('the wrong bench')\n", encoding="utf-8")
    return tmp_path


def test_the_wheel_holds_the_package_with_its_data_and_nothing_else(wheel) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    paths = [path for path in PACKAGE.rglob("*") if path.is_file() and path.suffix != ".pyc"]
    assert names == {path.relative_to(PACKAGE.parent).as_posix() for path in paths}
    kinds = {Path(name).suffix for name in names}
    assert "whirlbench/py.typed" in names and kinds >= {".toml", ".html"}  # rig and plans, templates of pages


def test_the_installed_command_starts_where_a_stranger_has_a_bench(installed, strangers_folder) -> None:
    assert run(installed, "--version", cwd=strangers_folder).strip() == f"whirlbench, version {__version__}"
    assert "Usage: whirlbench rehearse" in run(installed, "rehearse", "--help", cwd=strangers_folder)


def test_the_installed_module_starts_too_and_is_not_this_checkout(installed, strangers_folder) -> None:
    python = installed.with_name("python")
    where = run(python, "-c", "import whirlbench; print(whirlbench.__file__)", cwd=strangers_folder)
    assert Path(where.strip()).is_relative_to(installed.parents[1])
    assert __version__ in run(python, "-m", "whirlbench", "--version", cwd=strangers_folder)


def test_the_installed_command_reads_the_rig_that_came_with_it(installed, strangers_folder) -> None:
    code = "from whirlbench.rig.toml import example_rig_text; print(example_rig_text())"
    text = run(installed.with_name("python"), "-c", code, cwd=strangers_folder)
    (strangers_folder / "rig.toml").write_text(text, encoding="utf-8")
    assert "rpm" in run(installed, "check", "rig.toml", cwd=strangers_folder)
