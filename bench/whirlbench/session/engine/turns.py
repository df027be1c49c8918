"""What an engine does in each phase of its session, one turn at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from whirlbench.link.messages import Arm, Disarm, Result
from whirlbench.link.outbox import Exchange
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.session.engine.actions import Ending
from whirlbench.session.engine.phases import Phase
from whirlbench.session.engine.stand_watch import reason_name
from whirlbench.session.plan.controls import SetPoints
from whirlbench.session.plan.supervision import PlanRun, Situation, Wish

if TYPE_CHECKING:
    from whirlbench.session.engine.engine import Engine

COAST_LEAST_S = 3.0  # recorded after a trip even when the tach says "at rest": the tach may be what failed
COAST_MOST_S = 180.0
REST_SHOWN_S = 1.0  # of rest, so that the recording holds the end of the coast-down
ARM_PATIENCE_S = 2.0  # beyond the time that rest takes to be known
ARM_AGAIN_S = 0.1
INSPECTING = (Wish.LOCK, Wish.WORD, Wish.ARM)


def turn(engine: Engine) -> None:
    """One turn of the engine's present phase."""
    _TURNS[engine.phase](engine)


def _connecting(engine: Engine) -> None:
    if not engine.conversation.identified or engine.watch.state is None:
        return
    if engine.watch.state is Stand.LOCKED:
        engine.agree()
    elif engine.watch.state is Stand.TRIPPED:
        engine.enter(Phase.TRIPPED)
    elif not engine.message:
        # Someone else's run, under limits this host did not agree to: throttle to safe, locked once at rest.
        engine.message = "the device is armed already: locking it first"
        engine.conversation.send(Disarm())


def _agreeing(engine: Engine) -> None:
    agreement = engine.agreement
    if agreement is None or not agreement.complete:
        return
    objection = agreement.objection()
    if objection:
        engine.end(Ending.REFUSED, f"limits are not agreed: {objection}")
        return
    engine.note("limit", "agreed", f"checksum {agreement.crc:08x}")
    engine.enter(Phase.READY)


def _ready(engine: Engine) -> None:
    if engine.watch.live:  # an Arm that was given up has arrived after all
        engine.stop("the device armed itself unasked")
    elif engine.finish_wanted:
        engine.end(*engine.last_ending())


def _arming(engine: Engine) -> None:
    asked = engine.arm_exchange
    if engine.watch.live:
        _take_over(engine)
    elif engine.in_phase_s() > engine.rig.tach.rest_ms / 1e3 + ARM_PATIENCE_S:
        silent = asked.complaint() or "the device does not show itself armed" if asked else ""
        _refuse_arming(engine, silent or f"no heartbeat may leave: {engine.keeper.withheld}")
    elif asked is None:
        _ask_to_arm(engine)
    elif asked.complaint() and not _may_ask_again(engine, asked):
        _refuse_arming(engine, asked.complaint())


def _ask_to_arm(engine: Engine) -> None:
    if engine.keeper.flowing(engine.now_s) and engine.agreement is not None:
        engine.watch.asked.add(Happening.ARM)
        engine.arm_exchange = engine.conversation.send(Arm(engine.agreement.crc))


def _may_ask_again(engine: Engine, asked: Exchange) -> bool:
    """Whether patience cures the refusal: rest takes its time to be known, a heartbeat its way."""
    if asked.answer is None or asked.answer.result not in (Result.NOT_AT_REST, Result.HEARTBEAT_MISSING):
        return False
    if engine.now_s - asked.sent_at_s >= ARM_AGAIN_S:
        engine.arm_exchange = None
    return True


def _refuse_arming(engine: Engine, why: str) -> None:
    engine.message = f"not armed: {why}"
    engine.note("link", "not armed", why)
    if engine.keep_open and engine.plan_run is None:
        engine.leave_arming()
    else:
        engine.end(Ending.REFUSED, engine.message)


def _take_over(engine: Engine) -> None:
    """Armed: the set-points begin where the device is, so that nothing jumps; the servo inside its end points."""
    engine.message = ""
    throttle_us, servo_us = (engine.telemetry.latest[name] for name in ("throttle_us", "servo_us"))
    if engine.plan_run is None:
        start_us = engine.controls.permitted_servo_us(servo_us) if servo_us else engine.controls.first_servo_us()
        engine.set_points = SetPoints(throttle_us, start_us)
    engine.sender.assume(round(throttle_us), round(servo_us))
    engine.enter(Phase.RUNNING)


def _running(engine: Engine) -> None:
    if engine.watch.state is Stand.LOCKED and engine.wish not in INSPECTING:
        engine.plan_run = None
        if engine.keep_open:
            engine.enter(Phase.READY)
        else:
            engine.end(Ending.ABORTED, "the device locked itself")
        return
    refused = engine.sender.refused()
    if refused is not None:
        _answer_refusal(engine, refused)
    if not engine.sender.ready(engine.now_s):
        return
    if engine.plan_run is not None:
        _run_plan(engine, engine.plan_run)
    if engine.phase is Phase.RUNNING and engine.watch.live:
        for command in engine.sender.commands(engine.now_s, engine.set_points):
            engine.sender.watch(engine.conversation.send(command))


def _answer_refusal(engine: Engine, refused: Exchange) -> None:
    """A set-point that the device did not take: a plan that is not carried out is stopped, a hand is told."""
    complaint = refused.complaint()
    out_of_range = refused.answer is not None and refused.answer.result == Result.BAD_VALUE
    if engine.plan_run is not None and out_of_range:
        engine.stop(f"plan stopped in step {engine.plan_run.number}: {complaint}")
    else:
        engine.message = complaint
        engine.note("note", "set-point refused", complaint)


def _run_plan(engine: Engine, run: PlanRun) -> None:
    stop = engine.ring.plan_stop(engine.telemetry.latest, run.stop_above()) if engine.watch.live else ""
    if stop:
        engine.stop(f"plan stopped in step {run.number}: {stop}")
        return
    situation = Situation(engine.watch.at_rest, engine.watch.state is Stand.LOCKED, engine.watch.live)
    before, engine.wish = engine.wish, run.advance(engine.now_s, situation)
    engine.set_points = replace(run.set_points)
    for note in run.notes:
        engine.note("plan", note.name, note.detail)
    run.notes.clear()
    _grant(engine, fresh=before is not engine.wish)


def _grant(engine: Engine, fresh: bool) -> None:
    """What the plan wishes besides set-points; ``fresh`` when it began to in this turn."""
    if engine.wish is Wish.LOCK and fresh:
        engine.conversation.send(Disarm())
    elif engine.wish is Wish.WORD:
        engine.message = "locked for inspection: open the isolator before going near"
        if engine.finish_wanted:
            engine.end(*engine.last_ending())
    elif engine.wish is Wish.ARM:
        engine.arm()
    elif engine.wish is Wish.END:
        engine.wind_down()


def _stopping(engine: Engine) -> None:
    asked = engine.disarm_exchange
    if engine.watch.state is not Stand.LOCKED or (asked is not None and asked.pending):
        return  # an Arm may be on its way before the Disarm
    if engine.keep_open and not engine.finish_wanted:
        engine.enter(Phase.READY)
    elif engine.in_phase_s() >= REST_SHOWN_S:
        engine.end(*engine.last_ending())


def _coasting(engine: Engine) -> None:
    """After a trip: recorded until rest, whoever is still there to see it."""
    rest_s, elapsed_s = engine.rest_s(), engine.in_phase_s()
    if (rest_s < REST_SHOWN_S or elapsed_s < COAST_LEAST_S) and elapsed_s < COAST_MOST_S:
        return
    if engine.keep_open and not engine.finish_wanted:
        engine.enter(Phase.TRIPPED)
    else:
        engine.end(*engine.last_ending())


def _tripped(engine: Engine) -> None:
    if engine.watch.state is Stand.LOCKED:
        engine.forget_stop()
        engine.reset_exchange, engine.message = None, ""
        engine.agree()
    elif engine.finish_wanted:
        engine.end(*engine.last_ending())
    elif engine.reset_first:
        _reset_first(engine)
    elif engine.reset_exchange is not None and engine.reset_exchange.complaint():
        _refuse_reset(engine, engine.reset_exchange.complaint())
    elif not engine.keep_open and engine.watch.tripped_at_s is None:
        name = reason_name(engine.watch.reason)
        engine.end(Ending.REFUSED, f"the device tripped in an earlier run ({name}): find the cause, then reset it")


def _reset_first(engine: Engine) -> None:
    asked = engine.reset_exchange
    if asked is None and engine.watch.at_rest:
        engine.reset()
    elif asked is not None and asked.complaint():
        engine.end(Ending.REFUSED, f"the device stays tripped: {asked.complaint()}")


def _refuse_reset(engine: Engine, why: str) -> None:
    engine.reset_exchange = None
    engine.watch.asked.discard(Happening.RESET)
    engine.message = f"still tripped: {why}"
    engine.note("note", "reset refused", why)


def _ended(engine: Engine) -> None:
    """Nothing is left to do."""


_TURNS: dict[Phase, Callable[[Engine], None]] = {
    Phase.CONNECTING: _connecting,
    Phase.AGREEING: _agreeing,
    Phase.READY: _ready,
    Phase.ARMING: _arming,
    Phase.RUNNING: _running,
    Phase.STOPPING: _stopping,
    Phase.COASTING: _coasting,
    Phase.TRIPPED: _tripped,
    Phase.ENDED: _ended,
}
