"""How fast the compiled sketch cuts the power, over random phases, on the simulated microcontroller.

    python tests/benchmarks/mcu_latency.py [--trials N] [--minutes M] [--board BOARD] [--cause CAUSE]

Counted from the cause: last edge, last byte of the abort, end of the heartbeat's limit, last sample of the telling
window. "Pin low": the last pulse that was no safe one has ended, over the trials that had one after the cause.
"Safe pulse out": the first whole safe pulse has ended. The frame alone costs 0.5 ms shortest gap + 1.0 ms safe pulse.

A board is brought to turning again and again, each time with another phase of its pulses, and there the process is
forked: the child lets a random time of up to PHASE_S pass, provokes the cause and tells what came of it, so that the
phases of pulses, loop, stream, samples and host are all random against each other. After M minutes a row ends with the
trials it has; the table says how many they were. Needs a system that forks.
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))

from mcu import BOARDS
from mcu_trials import Cut, Trials, trials

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Counters

THROTTLE_US = 1800
PHASE_S = 0.02  # the longest period of what goes on: a heartbeat of the host, a frame of the servo
TRIALS_A_MOMENT = 8

CAUSES: dict[str, Callable[[Trials, float], Cut]] = {
    "overspeed": lambda stand, offset_s: stand.overspeed(offset_s, THROTTLE_US),
    "vibration": lambda stand, offset_s: stand.vibration(
        offset_s, THROTTLE_US, 2 * stand.limits[LimitId.VIBRATION_COUNTS]
    ),
    "heartbeat": lambda stand, offset_s: stand.heartbeat(offset_s, THROTTLE_US),
    "abort": lambda stand, offset_s: stand.abort(offset_s, THROTTLE_US),
}


def quantiles(values: list[float]) -> str:
    """Median, 99th percentile and maximum."""
    if not values:
        return f"{'-':>24}"
    return "".join(f"{value:8.0f}" for value in (np.median(values), np.quantile(values, 0.99), max(values)))


def forked(stand: Trials, cause: str, offset_s: float) -> Cut:
    """One trial in a child of its own, which leaves ``stand`` as it is; RuntimeError when it failed."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        try:
            stand.talk.run(offset_s)
            told: object = CAUSES[cause](stand, offset_s % 0.0025)
        except Exception as error:  # told to the parent, which ends the benchmark
            told = repr(error)
        os.write(into, pickle.dumps(told))
        os._exit(0)
    os.close(into)
    with os.fdopen(out, "rb") as pipe:
        told = pickle.loads(pipe.read())
    os.waitpid(child, 0)
    if not isinstance(told, Cut):
        raise RuntimeError(f"{cause}, {offset_s * 1e3:.3f} ms on: {told}")
    return told


def measure(board: str, cause: str, count: int, rng: np.random.Generator, until_s: float) -> None:
    """One line of the table."""
    cuts: list[Cut] = []
    with trials(board) as stand:
        while len(cuts) < count and time.monotonic() < until_s:
            stand.abort(float(rng.uniform(0.0, 0.0025)), THROTTLE_US)  # a cut moves the pulses against the samples
            stand.recover()
            stand.turn(4000.0, THROTTLE_US)
            for offset_s in rng.uniform(0.0, PHASE_S, min(TRIALS_A_MOMENT, count - len(cuts))):
                cuts.append(forked(stand, cause, float(offset_s)))
        stand.talk.run(1.1)
        device, side = stand.talk.latest(Counters), stand.stand.counters
    past_safe = [cut.low_us for cut in cuts if cut.low_us > 0]
    print(
        f"{board:<12}{cause:<11}{len(cuts):>6}{quantiles(past_safe)}  {quantiles([cut.safe_us for cut in cuts])}"
        f"{side['stray_pulses']:>8}{device.longest_loop_us:>8}",
        flush=True,
    )


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=float("inf"))
    parser.add_argument("--board", choices=list(BOARDS))
    parser.add_argument("--cause", choices=list(CAUSES))
    options = parser.parse_args()
    began_s = time.monotonic()
    print(f"{'':29}{'pin low, us':>24}  {'safe pulse out, us':>24}   stray    loop")
    print(f"{'board':<12}{'cause':<11}{'trials':>6}" + 2 * f"{'median':>8}{'99 %':>8}{'max':>8}  " + "pulses  max us")
    for board in [options.board] if options.board else BOARDS:
        for cause in [options.cause] if options.cause else CAUSES:
            measure(board, cause, options.trials, np.random.default_rng(2), time.monotonic() + 60 * options.minutes)
    print(f"{time.monotonic() - began_s:.0f} s")


if __name__ == "__main__":
    main()
