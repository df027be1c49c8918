"""Mutation score of physics, safety and analysis: a sample of single changes, each of which some test ought to notice.

    python -m pip install -e .[mutation]
    python tests/benchmarks/mutation.py [mutants per package] [seed] [part of a package's name]

Cosmic Ray makes every mutant of a package; a sample with a seed is tried in a copy of the source tree, each against the
package's own tests (the first failure ends them). The survivors are printed as differences, to be killed or explained.
"""

from __future__ import annotations

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
SECONDS_A_MUTANT = 240
# modules -> the tests that hold them, quickest first
PACKAGES: dict[str, tuple[list[str], list[str]]] = {
    "balance": (
        ["analysis/balance"],
        ["tests/published/test_balance.py", "tests/analysis/balance", "tests/analysis/test_pinned_constants.py",
         "tests/results/test_balance.py", "tests/foreign/test_balance_foreign.py"],
    ),
    "holds": (
        ["analysis/propeller/holds.py"],
        ["tests/analysis/propeller/test_holds.py", "tests/analysis/test_pinned_constants.py",
         "tests/foreign/test_limits_foreign.py"],
    ),
    "back-test": (
        ["safety/back_test/feeding.py", "safety/quantities.py"],
        ["tests/results/test_trips.py", "tests/safety/test_back_test.py"],
    ),
    "rules": (
        ["safety/device_rules.py", "safety/host_rules.py", "safety/tach_marks.py", "safety/state_table.py"],
        ["tests/safety"],
    ),
    "marks": (
        ["safety/tach_marks.py", "safety/back_test/sensor_shares.py", "safety/steady_frames.py", "safety/own_band.py"],
        ["tests/safety/test_recording_glances.py", "tests/safety/test_trend_rules.py"],
    ),
    "filter": (
        ["analysis/onset/whitening.py", "analysis/onset/likelihood_ratio.py"],
        ["tests/analysis/onset/test_onset_parts.py", "tests/analysis/onset/test_long_runs.py"],
    ),
    "physics": (["physics"], ["tests/physics", "tests/published"]),
}  # fmt: skip


def sampled(folder: Path, session: Path, count: int, seed: int) -> int:
    """Leaves ``count`` mutants in the session, drawn with ``seed``; how many there were."""
    with sqlite3.connect(session) as database:
        jobs = sorted(row[0] for row in database.execute("select job_id from work_items"))
        dropped = random.Random(seed).sample(jobs, max(len(jobs) - count, 0))
        for table in ("mutation_specs", "work_items"):
            database.executemany(f"delete from {table} where job_id = ?", [(job,) for job in dropped])
    return len(jobs)


def tried(name: str, count: int, seed: int) -> None:
    """Tries a sample of one package's mutants, prints score and survivors."""
    modules, tests = PACKAGES[name]
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        for part in ("bench", "tests", "recordings", "pyproject.toml"):
            source = ROOT / part
            _ = shutil.copytree(source, work / part) if source.is_dir() else shutil.copy(source, work / part)
        command = f"{sys.executable} -m pytest -q -x -p no:cacheprovider {' '.join(tests)}"
        paths = ", ".join(f'"{SOURCE}{module}"' for module in modules)
        (work / "mutation.toml").write_text(
            f"[cosmic-ray]\nmodule-path = [{paths}]\ntimeout = {SECONDS_A_MUTANT}.0\nexcluded-modules = []\n"
            f'test-command = "{command}"\n[cosmic-ray.distributor]\nname = "local"\n',
            encoding="utf-8",
        )
        environment = {**os.environ, "PYTHONPATH": str(work / "bench"), "QT_QPA_PLATFORM": "offscreen"}

        def ray(*words: str) -> str:
            whole = [sys.executable, "-m", "cosmic_ray.cli", *words]
            return subprocess.run(whole, cwd=work, env=environment, check=True, capture_output=True, text=True).stdout

        ray("init", "mutation.toml", "session.sqlite")
        total = sampled(work, work / "session.sqlite", count, seed)
        ray("exec", "mutation.toml", "session.sqlite")
        report(name, work / "session.sqlite", total)


def report(name: str, session: Path, total: int) -> None:
    """One line with the score, then what survived."""
    with sqlite3.connect(session) as database:
        rows = database.execute("select test_outcome, diff from work_results").fetchall()
    survivors = [diff for outcome, diff in rows if "SURVIVED" in str(outcome).upper()]
    killed = len(rows) - len(survivors)
    print(
        f"{name}: {killed} of {len(rows)} killed ({100.0 * killed / max(len(rows), 1):.0f} %), of {total}", flush=True
    )
    for diff in survivors:
        print("\n".join(line for line in diff.splitlines() if line[:1] in "+-@"), flush=True)


def main() -> None:
    """Prints the scores."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    part = sys.argv[3] if len(sys.argv) > 3 else ""
    for name in PACKAGES:
        if part in name:
            tried(name, count, seed)


if __name__ == "__main__":
    main()
