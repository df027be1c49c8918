"""Harms a recording in many ways and counts what comes of it; a wrong value ends the program with the case.

    python tests/benchmarks/recording_damage.py [CASES]

The long form of tests/recording/test_damage.py: CASES (300) of each kind, on a compacted recording and on one as it is
written. "partial" has gaps and says so, "unreadable" is one clear line, "complete" was harmed where nothing is kept.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "recording"))

import test_damage as damage
from made_up_run import made_up, record

from whirlbench.errors import RecordingError

KINDS = (
    damage.flip_bits,
    damage.flip_structure,
    damage.cut,
    damage.cut_early,
    damage.lose_page,
    damage.scribble,
    damage.invert,
)


def outcome(data: bytes, whole: tuple, harm, rng: random.Random, path: Path) -> str:  # type: ignore[no-untyped-def]
    """What reading a harmed copy of ``data`` gives; AssertionError for a wrong value."""
    harmed = bytearray(data)
    harm(harmed, rng)
    path.write_bytes(harmed)
    try:
        return "complete" if damage.assert_nothing_wrong(path, whole) else "partial"
    except RecordingError:
        return "unreadable"


def campaign(cases: int, folder: Path) -> None:
    """Prints a row for each kind of harm and form of recording."""
    for compact in (True, False):
        path = record(folder / f"{compact}.h5", made_up(3.0), compact=compact)
        data, whole = path.read_bytes(), damage.everything(path)
        for harm in KINDS:
            rng = random.Random(f"campaign {harm.__name__} {compact}")
            found = Counter(outcome(data, whole, harm, rng, folder / "harmed.h5") for _ in range(cases))
            row = "  ".join(f"{name} {found[name]:4}" for name in ("complete", "partial", "unreadable"))
            print(f"{'compacted' if compact else 'as written':10}  {harm.__name__:15} {row}", flush=True)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 300, Path(place))
