"""Mutation score of analysis, physics and safety: a sample of single changes, each of which some test ought to notice.

    python -m pip install -e .[mutation]
    python tests/benchmarks/mutation.py [mutants in all] [seed] [part of a package's name]

Cosmic Ray makes every mutant of the packages below; a sample of all of them, drawn with a seed, is tried in a copy of
the source tree, each against its package's own tests, quickest first (the first failure ends them). A package whose
tests fail unchanged, or pass with its modules broken, is not judged. A mutant whose tests did not end in time is told
apart, neither killed nor alive. Survivors are printed as differences, to be killed or explained.
"""

from __future__ import annotations

import math
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOURCE = "bench/whirlbench/"
SECONDS_A_MUTANT = 400
PINNED = "tests/analysis/test_pinned_constants.py"
# modules -> the tests that hold them, quickest first
PACKAGES: dict[str, tuple[list[str], list[str]]] = {
    "balance": (["analysis/balance"], ["tests/published/test_balance.py", "tests/analysis/balance", PINNED]),
    "propeller": (
        ["analysis/propeller"],
        ["tests/published/test_propeller.py", "tests/analysis/propeller", PINNED,
         "tests/foreign/test_limits_foreign.py"],
    ),
    "orders": (["analysis/orders"], [PINNED, "tests/published/test_vibration.py", "tests/analysis/orders"]),
    "onset": (
        ["analysis/onset"],
        [PINNED, "tests/published/test_change_detection.py", "tests/analysis/onset/test_onset_parts.py",
         "tests/analysis/onset/test_long_runs.py", "tests/analysis/onset/test_healthy_load.py",
         "tests/analysis/onset/test_failure.py", "tests/analysis/onset/test_detection.py"],
    ),
    "physics": (
        ["physics"],
        ["tests/physics", "tests/published/test_air.py", "tests/published/test_propeller.py",
         "tests/published/test_static_tables.py", "tests/published/test_electric.py",
         "tests/published/test_load_cycles.py", "tests/published/strength",
         "tests/analysis/strength/test_safety_constants.py"],
    ),
    "safety": (
        ["safety"],
        ["tests/safety/test_state_table.py", "tests/safety/test_trend_rules.py", "tests/safety/test_host_rules.py",
         "tests/safety/test_margins.py", "tests/safety/test_reading_errors.py", "tests/safety/back_test",
         "tests/safety/test_trips.py", "tests/safety/test_recording_glances.py",
         "tests/safety/test_trends_on_runs.py", "tests/results/test_trips.py", "tests/safety/test_every_limit.py"],
    ),
}  # fmt: skip


class Package:
    """One package's mutants, in a copy of the tree where they may be made."""

    def __init__(self, name: str, work: Path) -> None:
        self.name, self.work = name, work
        self.session = work / f"{name}.sqlite"
        modules, self.tests = PACKAGES[name]
        self.modules = [work / SOURCE / module for module in modules]
        self.settings = work / f"{name}.toml"
        paths = ", ".join(f'"{SOURCE}{module}"' for module in modules)
        command = f"{sys.executable} -m pytest -q -x -p no:cacheprovider {' '.join(self.tests)}"
        self.settings.write_text(
            f"[cosmic-ray]\nmodule-path = [{paths}]\ntimeout = {SECONDS_A_MUTANT}.0\nexcluded-modules = []\n"
            f'test-command = "{command}"\n[cosmic-ray.distributor]\nname = "local"\n',
            encoding="utf-8",
        )
        self._run("-m", "cosmic_ray.cli", "init", self.settings.name, self.session.name)

    def _run(self, *words: str, check: bool = True) -> int:
        environment = {**os.environ, "PYTHONPATH": str(self.work / "bench"), "QT_QPA_PLATFORM": "offscreen"}
        whole = [sys.executable, *words]
        return subprocess.run(whole, cwd=self.work, env=environment, check=check, capture_output=True).returncode

    def jobs(self) -> list[str]:
        """Every mutant, in one order."""
        with sqlite3.connect(self.session) as database:
            rows = database.execute(
                "select job_id from mutation_specs order by module_path, start_pos_row, start_pos_col, "
                "operator_name, occurrence"
            )
            return [row[0] for row in rows]

    def tells(self) -> bool:
        """Whether the tests pass unchanged, and fail where a module of the copy cannot be read."""
        pytest = ("-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *self.tests)
        if self._run(*pytest, check=False):
            return False
        broken = next(iter(sorted(self.modules[0].rglob("[a-z]*.py"), key=lambda one: -one.stat().st_size)))
        text = broken.read_text(encoding="utf-8")
        broken.write_text("raise ImportError\n", encoding="utf-8")
        failed = self._run(*pytest, check=False) != 0
        broken.write_text(text, encoding="utf-8")
        return failed

    def tried(self, kept: set[str]) -> list[tuple[str, str]]:
        """(outcome, difference) of each mutant of ``kept``."""
        with sqlite3.connect(self.session) as database:
            for table in ("mutation_specs", "work_items"):
                rows = [row[0] for row in database.execute(f"select job_id from {table}")]
                database.executemany(
                    f"delete from {table} where job_id = ?", [(one,) for one in rows if one not in kept]
                )
        self._run("-m", "cosmic_ray.cli", "exec", self.settings.name, self.session.name)
        with sqlite3.connect(self.session) as database:
            rows = database.execute("select worker_outcome, test_outcome, output, diff from work_results").fetchall()
        return [(_outcome(*map(str, row[:3])), str(row[3])) for row in rows]


def _outcome(worker: str, test: str, output: str) -> str:
    if "NORMAL" not in worker.upper():
        return "not tried"
    if "timeout" in output[:20].lower():
        return "out of time"
    return "survived" if "SURVIVED" in test.upper() else "killed"


def tree(work: Path) -> None:
    """A copy of what the tests need."""
    for part in ("bench", "tests", "firmware_sketch", "recordings", "pyproject.toml"):
        source = ROOT / part
        _ = shutil.copytree(source, work / part) if source.is_dir() else shutil.copy(source, work / part)


def interval(killed: int, told: int) -> tuple[float, float]:
    """Share killed, 95 %, by Wilson's score (JASA 22 (1927) 209; from memory)."""
    share, z2 = killed / told, 1.96**2
    middle = (share + z2 / (2 * told)) / (1 + z2 / told)
    half = 1.96 / (1 + z2 / told) * math.sqrt(share * (1 - share) / told + z2 / (4 * told**2))
    return middle - half, middle + half


def main() -> None:
    """Prints score and survivors of each package, then the score of all."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    part = sys.argv[3] if len(sys.argv) > 3 else ""
    outcomes: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        tree(Path(folder))
        packages = [Package(name, Path(folder)) for name in PACKAGES if part in name]
        everything = [(package, job) for package in packages for job in package.jobs()]
        drawn = random.Random(seed).sample(everything, min(count, len(everything)))
        print(f"{len(drawn)} of {len(everything)} mutants", flush=True)
        for package in packages:
            kept = {job for one, job in drawn if one is package}
            if not kept or not package.tells():
                print(f"{package.name}: {len(kept)} drawn, not judged", flush=True)
                continue
            told = package.tried(kept)
            outcomes += [outcome for outcome, _ in told]
            print(f"{package.name}: {sum(one == 'killed' for one, _ in told)} of {len(told)} killed", flush=True)
            for outcome, diff in told:
                if outcome != "killed":
                    print(outcome, "\n".join(line for line in diff.splitlines() if line[:1] in "+-@"), flush=True)
    killed, told_of = outcomes.count("killed"), outcomes.count("killed") + outcomes.count("survived")
    if told_of:
        low, high = interval(killed, told_of)
        print(f"all: {killed} of {told_of} killed, {100 * low:.0f} to {100 * high:.0f} % (95 %)")


if __name__ == "__main__":
    main()
