"""What is left of a supervised run after each fault, many tries each: a table for a record.

What counts stands in `tests/system/run_faults.py`. The tries take turns over the three phases. A run that ended before
its fault (a busy computer makes the recorder late, which stops it), or whose heartbeats had ceased by then, is no try:
it is counted apart. Run on a computer with nothing else to do:
python tests/benchmarks/session/evidence_faults.py [tries] [at once] [name of a fault]
"""

from __future__ import annotations

import functools
import math
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "system"))
sys.path.insert(0, str(Path(__file__).parents[2] / "rig"))
from run_faults import FAULTS, NO_TRY, Fault, attempt

PHASES = ("armed", "turning", "coasting")


def try_once(fault: Fault, phase: str) -> tuple[str, float]:
    """One try in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return attempt(fault, phase, Path(folder))


def main() -> None:
    """Prints a row for each fault."""
    tries, at_once = (int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (20, 2)
    wanted = sys.argv[3] if len(sys.argv) > 3 else ""
    print(f"{'fault':<30}{'good':>8}{'most lost':>12}", flush=True)
    for fault in FAULTS:
        if wanted not in fault.title:
            continue
        phases = [PHASES[number % 3] if fault.status != 2 else "turning" for number in range(tries)]
        with ThreadPoolExecutor(at_once) as pool:
            results = list(pool.map(functools.partial(try_once, fault), phases))
        good = sum(not wrong for wrong, _ in results)
        made = sum(not wrong.startswith(NO_TRY) for wrong, _ in results)
        known = [lost_s for _, lost_s in results if not math.isnan(lost_s)]
        most = f"{max(known):.2f} s" if known else "-"
        print(f"{fault.title:<30}{good:>4}/{made}{most:>12}", flush=True)
        for phase, (wrong, _) in zip(phases, results, strict=True):
            if wrong:
                print(f"    {phase}: {wrong[:300]}", flush=True)


if __name__ == "__main__":
    main()
