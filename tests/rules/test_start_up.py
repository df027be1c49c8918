"""`--help` is quick, and nothing but the window needs Qt."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "bench" / "whirlbench"
HEAVY = ("PyQt5", "pyqtgraph", "scipy", "matplotlib", "h5py")
BLOCK_QT = """
import sys
class NoQt:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("PyQt5", "pyqtgraph"):
            raise ImportError(f"{name} is blocked in this test")
sys.meta_path.insert(0, NoQt())
"""


def run_python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)


def test_help_imports_no_slow_library() -> None:
    code = f"""
import sys
from whirlbench.cli.main import run
assert run(["--help"]) == 0
loaded = [name for name in {HEAVY!r} if name in sys.modules]
assert not loaded, loaded
"""
    outcome = run_python(code)
    assert outcome.returncode == 0, outcome.stderr
    assert "rehearse" in outcome.stdout


def test_help_stays_within_its_share_of_a_bare_start() -> None:
    """A ratio within one run, so that a slow machine does not fail it: 0.1 s is about seven bare starts of Python."""

    def cpu_s(code: str) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert run_python(code).returncode == 0
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    bare = min(cpu_s("pass") for _ in range(5))
    help_text = min(cpu_s("from whirlbench.cli.main import run; run(['--help'])") for _ in range(5))
    assert help_text < 12 * bare


def modules_without_qt() -> list[str]:
    names = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        if parts[1] != "window" or parts[-1].endswith("_state"):
            names.append(".".join(parts).removesuffix(".__init__"))
    return names


def test_every_module_but_the_windows_imports_with_qt_blocked() -> None:
    imports = "\n".join(f"import {name}" for name in modules_without_qt())
    outcome = run_python(BLOCK_QT + imports)
    assert outcome.returncode == 0, outcome.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="the resource module is POSIX only; the rule is checked on Linux")
def test_the_block_really_blocks() -> None:
    assert run_python(BLOCK_QT + "import PyQt5").returncode != 0
