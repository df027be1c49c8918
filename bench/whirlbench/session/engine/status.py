"""An engine's state in the words of its surface."""

from __future__ import annotations

from typing import TYPE_CHECKING

from whirlbench.session.engine.actions import Progress
from whirlbench.session.engine.stand_watch import reason_name
from whirlbench.session.plan.supervision import Wish

if TYPE_CHECKING:
    from whirlbench.session.engine.engine import Engine


def progress_of(engine: Engine) -> Progress:
    """Where the session of ``engine`` stands."""
    run, watch, keeper = engine.plan_run, engine.watch, engine.keeper
    return Progress(
        phase=engine.phase.value,
        state=watch.state.name.lower() if watch.state is not None else "",
        reason=reason_name(watch.reason) if watch.reason else "",
        time_s=engine.telemetry.time_s,
        step=run.number if run else 0,
        steps=len(engine.plan.steps) if engine.plan else 0,
        step_text=run.step.kind if run and run.step else "",
        values={**engine.telemetry.latest, "vibration_g_rms": engine.ring.vibration_g_rms},
        counters=engine.counters(),
        waits=engine.wish is Wish.WORD and run is not None,
        withheld=keeper.withheld,
        message=engine.message,
    )
