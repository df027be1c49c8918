"""Mutants and forgeries of a recording, as many as asked for: one clear line or a true answer, or the program ends.

    python tests/benchmarks/recording/hostile_campaign.py [MUTANTS]          (default: 600)

The long form of tests/recording/test_hostile.py: half are harmed bytes, half are forged with sound structure.
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "recording"))

import test_hostile as hostile
from made_up_run import made_up, record

if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    with tempfile.TemporaryDirectory() as folder:
        good = record(Path(folder) / "good.h5", made_up(1.0)).read_bytes()
        path, rng, slowest_s = Path(folder) / "mutant.h5", random.Random(99), 0.0
        harmed = hostile.mutants(good, count // 2, 99)
        for number in range(count):
            path.write_bytes(next(harmed) if number < count // 2 else good)
            if number >= count // 2:
                hostile.forge(path, rng)
            began = time.monotonic()
            hostile.reads_truly(path)
            slowest_s = max(slowest_s, time.monotonic() - began)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    print(f"{count} mutants, slowest {slowest_s:.2f} s, largest memory {peak_mb:.0f} MB")
