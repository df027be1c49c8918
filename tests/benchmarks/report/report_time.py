"""CPU time of a run's report, chapter by chapter, and of drawing its page.

    python tests/benchmarks/report/report_time.py RECORDING [OTHER_CHECKOUT]

With another checkout's folder, ``bench`` of both is measured in turn, three times each, and the quickest are put side
by side: a computer that does other things makes everything slower, and both alike.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parents[3]
TURNS = 3


def measured(recording: Path) -> dict[str, float]:
    """Seconds of CPU of each part, in the order of the report; imports count where they happen."""
    laps: dict[str, float] = {}
    began_s, doing = 0.0, "start of the program"

    def next_part(title: str) -> None:
        nonlocal began_s, doing
        now_s = time.process_time()
        laps[doing] = laps.get(doing, 0.0) + now_s - began_s
        began_s, doing = now_s, title

    from whirlbench.report.report_page import report_page
    from whirlbench.results.report import RecordedRun, run_report

    next_part("reading")
    recorded = RecordedRun.read(recording)
    report = run_report(recorded, "", next_part)
    next_part("drawing the page")
    report_page(report)
    next_part("")
    return {**laps, "all": sum(laps.values())}


def measured_in(checkout: Path, recording: Path) -> dict[str, float]:
    """The same by a fresh process on the package of ``checkout``."""
    environment = {**os.environ, "PYTHONPATH": str(checkout / "bench")}
    command = [sys.executable, __file__, str(recording), "--json"]
    told = subprocess.run(command, env=environment, stdout=subprocess.PIPE, check=True).stdout
    return json.loads(told)


def main() -> None:
    """Prints the table."""
    recording, *more = sys.argv[1:]
    if more == ["--json"]:
        print(json.dumps(measured(Path(recording))))
        return
    checkouts = [HERE, *map(Path, more)]
    turns = [[measured_in(one, Path(recording)) for one in checkouts] for _ in range(TURNS)]
    quickest = [min((turn[place] for turn in turns), key=lambda laps: laps["all"]) for place in range(len(checkouts))]
    for part in quickest[0]:
        print(f"{part:36s}" + "".join(f"{laps.get(part, float('nan')):8.2f} s" for laps in quickest))


if __name__ == "__main__":
    main()
