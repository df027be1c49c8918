"""A surface in a process of its own, to be killed: starts a session, arms, starts the plan, shows signs of life.

Prints the session's process number and the name of its shared memory, then "turning" once the propeller turns.
Arguments: rig, plan, recording; the stand is simulated.
"""

from __future__ import annotations

import functools
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))
from cleared_set import cleared

from whirlbench.session.process import SessionSpec, WillingOperator, start
from whirlbench.simulator.device.simulated_port import open_simulated


def main() -> None:
    rig_text, plan_text = (Path(path).read_text(encoding="utf-8") for path in sys.argv[1:3])
    opener = functools.partial(open_simulated, rig_text, 1)
    operator, told = WillingOperator(), False
    with start(SessionSpec(rig_text, opener, plan_text, sys.argv[3], clearance=cleared(rig_text))) as session:
        print(session.pid, session.view.name, flush=True)
        while session.outcome() is None:
            session.heard()
            progress = session.state()
            for command in operator.commands(progress):
                session.command(command)
            if not told and progress.values["rpm"] > 300:
                told = True
                print("turning", flush=True)
            time.sleep(0.02)
        print(session.outcome(), flush=True)


if __name__ == "__main__":
    main()
